"""`lightlathe bench`: this machine's speed."""

import argparse
import json
from pathlib import Path
from typing import TextIO

from lightlathe.cli.say import figures_alone


def bench(arguments: argparse.Namespace) -> int:
    with figures_alone(arguments.json) as out:
        return bench_to(out, arguments)


def bench_to(out: TextIO, arguments: argparse.Namespace) -> int:
    """Measure; the tables, or JSON, go to `out`."""
    from lightlathe.bench import against, read_bench, require_place, run, table, write_bench
    from lightlathe.feasibility.measured import keep
    from lightlathe.flow.devices import device_named

    others = [read_bench(path) for path in arguments.against]
    device = device_named(arguments.device or "auto", "--device")
    path = arguments.output or Path(f"bench-{str(device).replace(':', '')}.json")
    require_place(path, arguments.against)
    if path.exists():
        print(f"note: {path} holds an earlier bench; this one replaces it. -o gives it another name.")
    result = run(quick=arguments.quick, device=str(device), verify=arguments.verify)
    write_bench(result, path)
    print(table(result))
    kept = keep(result, device)
    print("`check` estimates times by it from now on." if kept else "It could not be kept for `check` on this machine.")
    for other in others:
        print(f"\n{against(result, other)}")
    print(f"written to {path}")
    if arguments.json:
        print(json.dumps({"file": str(path), "bench": result, "against": others}, indent=1), file=out)
    return 0
