"""`python -m lightlathe`: the same as the command `lightlathe`."""

from lightlathe.cli.main import main

raise SystemExit(main())
