"""Quality of whole designs of real meshes at full size: wrong voxels beyond one voxel of the surface, bound, seconds.

    python benchmarks/meshes.py MESHES [--voxels 256] [--iterations 100] [--only NAME]

MESHES is the folder of test meshes. Each part is designed twice: with every voxel judged, and with a band of one voxel
on either side of the surface left out. "proven" is the widest window that any patterns could have, certified. Seconds:
reading and voxels; all iterations of the design; the proof; everything, judging on the twice finer grid included.
"""

import argparse
import dataclasses
import time
from pathlib import Path

import torch

from lightlathe import pipeline
from lightlathe.bench.machine import machine
from lightlathe.job import parse_job
from parts import PARTS, job_text

HEADS = (
    "part",
    "voxels",
    "angles",
    "band",
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
    reader.add_argument("--iterations", type=int, default=100)
    reader.add_argument("--only", choices=PARTS)
    reader.set_defaults(pixel=1.0, angles=None, finer=2, device="auto", kernel="auto")
    options = reader.parse_args()
    print(machine(torch.device("cuda" if torch.cuda.is_available() else "cpu")))
    print("".join(f"{head:>16}" for head in HEADS))
    for name, (mesh, unit, lay) in PARTS.items():
        if options.only in (None, name):
            for band in (False, True):
                row(name, options.meshes / mesh, unit, lay, options, band)


def row(name: str, mesh: Path, unit: str, lay: str | None, options: argparse.Namespace, band: bool) -> None:
    job = parse_job(job_text(mesh, unit, lay, options), name=name, folder=Path.cwd())
    width = job.grid.voxel_mm if band else 0.0
    job = dataclasses.replace(job, design=dataclasses.replace(job.design, tolerance_mm=width, weight="coverage"))
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
        "1 voxel" if band else "none",
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
