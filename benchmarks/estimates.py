"""What `lightlathe check` estimates of a design's time and memory, and what the design then takes.

    lightlathe bench; python benchmarks/estimates.py JOB... [--set design.iterations=60]

Each job runs in a process of its own. Seconds are of the iterations, as the log has them, compiling not counted where
kernels are in a cache; memory is the most that arrays took on a card, or that the process had on a CPU.
"""

import argparse
import json
import resource
import subprocess
import sys
import tomllib
from pathlib import Path


def in_here(given: str, folder: str) -> None:
    """One job in this process; prints estimates and figures as JSON."""
    import torch

    from lightlathe import pipeline
    from lightlathe.feasibility.estimates import array_bytes, design_bytes, design_s
    from lightlathe.feasibility.quick_check import case_of
    from lightlathe.job import job_from

    job = job_from(json.loads(given), folder=Path(folder))
    setup = pipeline.prepare(job)
    case = case_of(job, setup.solids)
    card = setup.device.type == "cuda"
    record = pipeline.design(job, setup=setup)
    peak = torch.cuda.max_memory_allocated() if card else 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({
        "estimated_s": design_s(case), "took_s": float(record.log["seconds"][-1]), "source": case.machine.speed_source,
        "estimated_bytes": array_bytes(case) if card else design_bytes(case), "took_bytes": peak,
        "iterations": record.log["iteration"][-1] + 1, "grid": setup.part.grid.shape, "kernel": record.facts["kernel"],
    }))  # fmt: skip


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("jobs", type=Path, nargs="*")
    reader.add_argument("--set", action="append", default=[], metavar="TABLE.KEY=VALUE", help="of every job")
    reader.add_argument("--in-here", nargs=2, help=argparse.SUPPRESS)
    options = reader.parse_args()
    if options.in_here:
        in_here(*options.in_here)
        return
    for path in options.jobs:
        tables = tomllib.loads(path.read_text())
        for setting in options.set:
            name, _, value = setting.partition("=")
            table, _, key = name.partition(".")
            tables.setdefault(table, {})[key] = tomllib.loads(f"x = {value}")["x"]
        call = [sys.executable, __file__, "--in-here", json.dumps(tables), str(path.parent)]
        done = subprocess.run(call, capture_output=True, text=True, check=False)
        if done.returncode:
            print(f"{path.name}: {done.stderr.strip().splitlines()[-1]}", flush=True)
            continue
        found = json.loads(done.stdout.splitlines()[-1])
        print(
            f"{path.name}: grid {found['grid']}, {found['kernel']}, {found['iterations']:.0f} iterations: "
            f"{found['estimated_s']:.1f} s estimated ({found['source']}), {found['took_s']:.1f} s taken; "
            f"{found['estimated_bytes'] / 1e9:.2f} GB estimated, {found['took_bytes'] / 1e9:.2f} GB taken",
            flush=True,
        )


if __name__ == "__main__":
    main()
