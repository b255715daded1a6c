"""Whole jobs, mesh to finished file: what a user waits for and gets, stage by stage, cold and warm.

    python benchmarks/jobs.py MESHES [256/180 512/360 1024/720] [--part gyroid] [--set design.iterations=60] [--true]

The jobs are those of benchmarks/slices.py (telecentric light, mu R = 0.5, level_limit 10, pixels as wide as voxels,
one row of pixels a slice), designed as `lightlathe design` does it, resume state and proof included, each in a process
of its own: "cold" with empty caches of compiled code, "warm" once more with what that left. `--true` lets the vial turn
all the time and judges on voxels twice as fine, as jobs do where nothing else is said. Times are wall-clock, from
before the imports to the finished file.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import defaultdict
from pathlib import Path
from typing import Any

from slices import JOB, PARTS, RADIUS_MM

SHOWN = ("window_relative", "window_reached", "window_proven_at_most", "window_gap", "wrong_voxels", "iou", "iou_fine")


def text_of(folder: Path, part: str, size: str, true: bool) -> str:
    across, angles = (int(number) for number in size.split("/"))
    mesh, scale = PARTS[part]
    text = JOB.format(
        mesh=(folder / mesh).resolve(), scale=scale, voxel=2 * RADIUS_MM / across, across=across, angles=angles
    )
    return text.replace('motion = "stepped"', "").replace("finer = 1", "finer = 2") if true else text


def in_here(tables: dict[str, Any], out: Path, began: float) -> None:
    """One job in this process; prints its times and figures as JSON."""
    import torch

    from lightlathe import pipeline
    from lightlathe.cli.progress import Keeper
    from lightlathe.flow.settings import settings_of
    from lightlathe.job import job_from
    from lightlathe.result import partial_path, write_partial, write_result
    from lightlathe.result.partial import seconds_to_write

    card = torch.cuda.is_available()
    spent: defaultdict[str, float] = defaultdict(float)
    now = ["imports", began]

    def stage(words: str, *_: object) -> None:
        if card:
            torch.cuda.synchronize()
        moment = time.time()
        spent[str(now[0])] += moment - float(now[1])
        now[:] = [words or "between", moment]

    job = job_from(tables)
    stage("preparing")
    setup = pipeline.prepare(job)
    settings, path = settings_of(job, setup.solids), out / "job.lathe.h5"
    partial = partial_path(path)
    inner = Keeper(
        lambda state, log: write_partial(partial, job.text, settings, state, log),
        lambda state: seconds_to_write(partial, state),
    )

    def keep(state: dict[str, Any], log: dict[str, list[float]]) -> None:
        before, moment = now[0], time.time()
        inner(state, log)
        if time.time() - moment > 1e-3:
            spent["state"] += time.time() - moment
            now[1] = float(now[1]) + time.time() - moment
        now[0] = before

    record = pipeline.design(job, setup=setup, on_stage=stage, checkpoint=keep)
    stage("file")
    write_result(record, path, replace=True)
    stage("end")
    total = time.time() - began
    figures = {name: record.quality.get(name) for name in SHOWN}
    memory = torch.cuda.max_memory_allocated() / 2**30 if card else 0.0
    host = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(json.dumps({
        "total": total, "host_gib": host, "slabs": setup.slabs.design, "stages": spent, "figures": figures,
        "card_gib": memory, "file_mb": path.stat().st_size / 1e6,
        "why": record.facts["stopped_because"], "iterations": record.log["iteration"][-1] + 1,
        "device": str(record.facts["device"]), "grid": setup.part.grid.shape, "kernel": record.facts["kernel"],
    }))  # fmt: skip


def run(tables: dict[str, Any], caches: Path) -> dict[str, Any]:
    """The same in a process of its own, whose compiled code lies in `caches`."""
    with tempfile.TemporaryDirectory() as out:
        given = Path(out) / "job.json"
        given.write_text(json.dumps(tables))
        names = {"TRITON_CACHE_DIR": "triton", "NUMBA_CACHE_DIR": "numba", "XDG_CACHE_HOME": "xdg"}
        env = os.environ | {name: str(caches / folder) for name, folder in names.items()}
        call = [sys.executable, __file__, "--in-here", str(given), "--began", str(time.time())]
        done = subprocess.run(call, env=env, capture_output=True, text=True, check=False)
    if done.returncode:
        return {"error": done.stderr.strip().splitlines()[-1]}
    return json.loads(done.stdout.splitlines()[-1])


def show(name: str, found: dict[str, Any]) -> None:
    if "error" in found:
        print(f"{name}: {found['error']}", flush=True)
        return
    stages = ", ".join(
        f"{stage} {seconds:.1f}" for stage, seconds in sorted(found["stages"].items(), key=lambda pair: -pair[1])
        if seconds >= 0.05
    )  # fmt: skip
    figures = ", ".join(f"{key} {value:.4g}" for key, value in found["figures"].items() if value is not None)
    print(
        f"{name}: {found['total']:.1f} s, {found['iterations']:.0f} iterations ({found['why']}), grid {found['grid']}, "
        f"{found['kernel']}, {found['card_gib']:.1f} GiB on the card, {found['host_gib']:.1f} of main memory, "
        f"{found['slabs'] or 'all'} slices at a time, file {found['file_mb']:.0f} MB\n    {figures}\n"
        f"    seconds: {stages}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("meshes", type=Path, nargs="?")
    parser.add_argument("sizes", nargs="*", default=["256/180"])
    parser.add_argument("--part", action="append", choices=list(PARTS))
    parser.add_argument("--set", action="append", default=[], metavar="TABLE.KEY=VALUE", help="of every job")
    parser.add_argument("--true", action="store_true", help="a vial that turns all the time; judged on finer voxels")
    parser.add_argument("--once", action="store_true", help="each job once, with the compiled code of those before")
    parser.add_argument("--in-here", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--began", type=float, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.in_here:
        in_here(json.loads(arguments.in_here.read_text()), arguments.in_here.parent, arguments.began)
        return
    shared = tempfile.TemporaryDirectory()
    for size in arguments.sizes:
        for part in arguments.part or PARTS:
            tables = tomllib.loads(text_of(arguments.meshes, part, size, arguments.true))
            for setting in arguments.set:
                key, value = setting.split("=", 1)
                table, name = key.split(".")
                tables.setdefault(table, {})[name] = tomllib.loads(f"value = {value}")["value"]
            if arguments.once:
                show(f"{part} {size}", run(tables, Path(shared.name)))
                continue
            with tempfile.TemporaryDirectory() as caches:
                for state in ("cold", "warm"):
                    show(f"{part} {size} {state}", run(tables, Path(caches)))


if __name__ == "__main__":
    main()
