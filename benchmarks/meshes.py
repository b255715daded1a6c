"""Quality of whole designs of real meshes at full size: wrong voxels, true overlap, window and bound, seconds.

    python benchmarks/meshes.py MESHES [--voxels 256] [--only NAME] [--former] [--band]

MESHES is the folder of test meshes. Each part is designed as a job that says nothing about [design]. `--former`: as
until 28 November 2026, all slices at once (bounded_lbfgs, sharpness 100, 60 iterations) and faces where the mesh has
them. `--band`: a band of one voxel on either side of the surface is left out. "proven" is the widest window that any
patterns could have, certified. Seconds: reading and voxels; all iterations of the design; everything, proof and judging
on the twice finer grid included.
"""

import argparse
import dataclasses
import time
from pathlib import Path

import torch

from lightlathe import pipeline
from lightlathe.bench.machine import machine
from lightlathe.job import parse_job
from lightlathe.losses import SoftWindow
from lightlathe.solve import BoundedLBFGS
from parts import PARTS, job_text

HEADS = (
    "part",
    "voxels",
    "angles",
    "iterations",
    "wrong",
    "true IoU",
    "less band",
    "window",
    "proven",
    "gap",
    "prepare",
    "design",
    "all s",
)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("meshes", type=Path)
    reader.add_argument("--voxels", type=int, default=256)
    reader.add_argument("--only", choices=PARTS)
    reader.add_argument("--former", action="store_true")
    reader.add_argument("--band", action="store_true")
    reader.set_defaults(pixel=1.0, angles=None, finer=2, device="auto", kernel="auto", iterations='"auto"')
    options = reader.parse_args()
    print(machine(torch.device("cuda" if torch.cuda.is_available() else "cpu")))
    print("".join(f"{head:>16}" for head in HEADS))
    for name, (mesh, unit, lay) in PARTS.items():
        if options.only in (None, name):
            row(name, options.meshes / mesh, unit, lay, options)


def row(name: str, mesh: Path, unit: str, lay: str | None, options: argparse.Namespace) -> None:
    job = parse_job(job_text(mesh, unit, lay, options), name=name, folder=Path.cwd())
    if options.former:
        former = {"loss": SoftWindow(sharpest=100), "solver": BoundedLBFGS(), "iterations": 60}
        job = dataclasses.replace(
            job,
            design=dataclasses.replace(job.design, **former),
            grid=dataclasses.replace(job.grid, level_ends="as_placed"),
        )
    if options.band:
        job = dataclasses.replace(job, design=dataclasses.replace(job.design, tolerance_mm=job.grid.voxel_mm))
    began = time.perf_counter()
    setup = pipeline.prepare(job)
    ready = time.perf_counter()
    record = pipeline.design(job, setup=setup)
    done = time.perf_counter()
    q, shape = record.quality, record.part.grid.shape
    missing = float("nan")
    cells = (
        name,
        "x".join(str(n) for n in shape),
        len(record.patterns.angle_rad),
        record.log["iteration"][-1] + 1,
        f"{q['wrong_voxels']:.0f}",
        *(
            f"{q.get(k, missing):.4f}"
            for k in ("iou_fine", "iou_fine_judged", "window_relative", "window_proven_at_most", "window_gap")
        ),
        *(f"{t:.1f}" for t in (ready - began, record.log["seconds"][-1], done - began)),
    )
    print("".join(f"{cell!s:>16}" for cell in cells), flush=True)


if __name__ == "__main__":
    main()
