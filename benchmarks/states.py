"""What the states of a run cost: their size, a write, and their share of a run's time.

    python benchmarks/states.py MESHES [256/180 512/360] [--part gyroid] [--iterations 4] [--slabs 64]

The jobs are those of benchmarks/slices.py with 400 iterations, on the device that jobs take. A few
iterations are timed, then the last state is written as `lightlathe design` writes it. How often a run of 400 iterations
would write, and which share of its time that takes, is then played through with the program's own Keeper
(cli/progress.py) on a clock that these two times drive; beside it the worst moment of that run, as a share of the time
until then.
"""

import argparse
import contextlib
import itertools
import tempfile
import time
from pathlib import Path
from typing import Any

from lightlathe import pipeline
from lightlathe.cli.progress import Keeper
from lightlathe.flow.settings import settings_of
from lightlathe.job import Job, parse_job
from lightlathe.result import write_partial
from lightlathe.result.partial import seconds_to_write, state_bytes
from slices import JOB, PARTS, RADIUS_MM


def job_of(meshes: Path, part: str, across: int, angles: int, slabs: int | None) -> Job:
    mesh, scale = PARTS[part]
    path, voxel = (meshes / mesh).resolve(), 2 * RADIUS_MM / across
    text = JOB.format(mesh=path, scale=scale, voxel=voxel, across=across, angles=angles)
    text += "[design]\niterations = 400\nlevel_limit = 10\nbound_iterations = 0\n"
    return parse_job(text + (f"slab_slices = {slabs}\n" if slabs else ""), name="states", folder=Path())


class Enough(Exception):
    """The iterations wanted are done."""


def measured(job: Job, iterations: int) -> tuple[int, float, float, float, int]:
    """(bytes of a state; seconds of an iteration, of a write as it is expected, as it is; bytes of the file)."""
    setup = pipeline.prepare(job)
    kept: list[Any] = []
    moments: list[float] = []

    def keep(state: dict[str, Any], log: dict[str, list[float]]) -> None:
        kept[:] = [state, log]
        moments.append(time.monotonic())
        if len(moments) > iterations:
            raise Enough

    with contextlib.suppress(Enough):
        pipeline.design(job, setup=setup, checkpoint=keep)
    state, log = kept
    each = sorted(after - before for before, after in itertools.pairwise(moments))
    with tempfile.TemporaryDirectory(dir=".") as folder:
        path = Path(folder) / "a.partial.h5"
        told_s, began = seconds_to_write(path, state), time.monotonic()
        write_partial(path, job.text, settings_of(job, setup.solids), state, log)
        return state_bytes(state), each[len(each) // 2], told_s, time.monotonic() - began, path.stat().st_size


def played(told_s: float, iteration_s: float, write_s: float, iterations: int = 400) -> tuple[int, float, float]:
    """(writes, their share of the time of a run, the largest share of the time until any moment)."""
    now, spent, count, worst = 0.0, 0.0, 0, 0.0

    def write(*_: Any) -> None:
        nonlocal now, spent, count, worst
        now, spent, count = now + write_s, spent + write_s, count + 1
        worst = max(worst, spent / now)

    keeper = Keeper(write, lambda _: told_s, lambda: now)
    for number in range(iterations):
        now += iteration_s
        keeper({"iteration": number}, {})
    return count, spent / now, worst


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("meshes", type=Path)
    parser.add_argument("sizes", nargs="*", default=["256/180", "512/360"])
    parser.add_argument("--part", choices=list(PARTS), default="gyroid")
    parser.add_argument("--iterations", type=int, default=4)
    parser.add_argument("--slabs", type=int)
    arguments = parser.parse_args()
    for name in arguments.sizes:
        across, angles = (int(number) for number in name.split("/"))
        job = job_of(arguments.meshes, arguments.part, across, angles, arguments.slabs)
        size, iteration_s, told_s, write_s, file = measured(job, arguments.iterations)
        count, share, worst = played(told_s, iteration_s, write_s)
        print(
            f"{arguments.part} {name}: state {size / 1e6:.0f} MB, file {file / 1e6:.0f} MB, written in {write_s:.2f} s "
            f"({size / write_s / 1e6:.0f} MB/s), expected {told_s:.2f} s; an iteration {iteration_s:.2f} s; 400 of "
            f"them: {count} writes, "
            f"{share:.2%} of the time, {worst:.2%} at the worst moment",
            flush=True,
        )


if __name__ == "__main__":
    main()
