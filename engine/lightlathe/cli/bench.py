"""`lightlathe bench`: this machine's speed."""

import argparse
import json
from pathlib import Path
from typing import TextIO

from lightlathe.cli.say import figures_alone
from lightlathe.cli.together import ToldOthers, ends_with_others


def bench(arguments: argparse.Namespace) -> int:
    from lightlathe.support.ranks import joined

    with joined() as team, ends_with_others():
        if not team.first:
            return help_out(arguments)
        told = ToldOthers()
        try:
            with figures_alone(arguments.json) as out:
                return bench_here(arguments, told, out)
        finally:
            told(False)


def help_out(arguments: argparse.Namespace) -> int:
    """Measure beside the first of several processes."""
    from lightlathe.bench.together import seconds_for, together
    from lightlathe.flow.devices import device_named
    from lightlathe.support.ranks import ranks

    if ranks().told_by(0, None):
        device = device_named(arguments.device or "auto", "--device")
        together(None, device, for_s=seconds_for(arguments.quick))
    return 0


def bench_here(arguments: argparse.Namespace, told: ToldOthers, out: TextIO) -> int:
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
    told(True)
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
