"""Runs the one_pass cases through Triton's interpreter, which must be chosen before triton is imported."""

import os
import subprocess
import sys
from pathlib import Path

CASES = sorted(Path(__file__).parent.glob("one_pass*_cases.py"))


def test_functions_of_one_pass_equal_plain_torch_in_the_interpreter():
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *map(str, CASES)],
        env={**os.environ, "TRITON_INTERPRET": "1"},
        capture_output=True,
        text=True,
        timeout=900,
    )
    assert len(CASES) == 4
    print(done.stdout, done.stderr)
    assert done.returncode == 0
    assert "skipped" not in done.stdout
