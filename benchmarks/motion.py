"""What a continuously turning vial costs a design that takes it to stand, and one that takes its motion in few parts.

    OMP_NUM_THREADS=1 python benchmarks/motion.py [480 360 240 180 120] [--part valve] [--voxel 0.16] [--pixel 0.16]

Images a turn; the valve and the gyroid of configs/ in a vial of 10 mm, on the CPU, 100 iterations. "own" is the window
that the design's own operator gives, "true" that of the same light over 16 parts of each image's step, before levels
are rounded; "fine" the overlap of the print with the true shape on voxels half as large. Designs differ by 0.003 of
window with what chance does to them. The parts that a job takes by itself are marked.
"""

import argparse
import dataclasses
from pathlib import Path

import numpy as np
import torch

from lightlathe.bench.machine import machine
from lightlathe.dose import Turning
from lightlathe.flow.findings import judged
from lightlathe.flow.formulation import problem_of
from lightlathe.flow.prepare import Setup, prepare
from lightlathe.flow.quantisation import expose
from lightlathe.flow.stages import run_stages
from lightlathe.job import job_from
from lightlathe.solve.metrics import Figures

MESHES = Path(__file__).resolve().parents[1] / "configs" / "meshes"
PARTS = {"valve": "check_valve.stl", "gyroid": "gyroid.stl"}
EXACT = 16


def made(mesh: Path, images: int, motion: str, voxel: float, pixel: float, iterations: int) -> Setup:
    return prepare(
        job_from(
            {
                "part": [{"mesh": str(mesh), "unit": "mm"}],
                "vial": {"inner_diameter_mm": 10.0, "resin_height_mm": 20.0},
                "resin": {"absorption_per_mm": 0.08, "liquid_below_mj_cm3": 35.5, "solid_above_mj_cm3": 37.0},
                "light": {
                    "pixel_mm": pixel,
                    "columns": round(10.3 / pixel),
                    "rows": round(9 / pixel),
                    "irradiance_mw_cm2": 20.0,
                },
                "turn": {"angles": images, "seconds_per_turn": 12.0, "motion": motion},
                "grid": {"voxel_mm": voxel, "finer": 2},
                "design": {"iterations": iterations, "bound_iterations": 0, "device": "cpu"},
            }
        )
    )


def designed(setup: Setup, parts: int, exact: int) -> tuple[float, float, float, float]:
    """(own window, true window, overlap on the finer grid, seconds an iteration) of a design in so many parts."""
    operator = setup.operator if parts == 1 else Turning(setup.operator, parts, matched=True)
    setup = dataclasses.replace(setup, in_design=operator)
    plain = problem_of(setup)
    found = run_stages(setup, plain, None)
    target = setup.part.target(setup.device)
    all_parts = Turning(setup.operator, exact) if exact > 1 else setup.operator
    own, true = (float(Figures.of(a(found.patterns), target).window_relative) for a in (operator, all_parts))
    fine = judged(setup, *expose(setup, found.patterns), plain, found).quality["iou_fine"]
    return own, true, fine, float(np.median(np.diff(found.log["seconds"])))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("images", nargs="*", type=int, default=[480, 360, 240, 180, 120])
    parser.add_argument("--part", action="append", choices=list(PARTS))
    parser.add_argument("--voxel", type=float, default=0.16)
    parser.add_argument("--pixel", type=float, default=0.16)
    parser.add_argument("--iterations", type=int, default=100)
    given = parser.parse_args()
    print(machine(torch.device("cpu")))
    for part in given.part or PARTS:
        for images in given.images:

            def setup_of(motion: str, part: str = part, images: int = images) -> Setup:
                return made(MESHES / PARTS[part], images, motion, given.voxel, given.pixel, given.iterations)

            moving = setup_of("continuous")
            edge = moving.part.reach_mm * abs(moving.job.turn.step_rad) / given.pixel
            print(f"{part}, {images} images, {edge:.2f} pixels at the edge; a job takes {moving.design_parts}")
            cases = [("stepped", setup_of("stepped"), 1, 1)]
            numbers = sorted({1, 2, 3, moving.design_parts})
            cases += [
                (f"{parts} parts{' *' * (parts == moving.design_parts)}", moving, parts, EXACT) for parts in numbers
            ]
            for name, setup, parts, exact in cases:
                own, true, fine, each_s = designed(setup, parts, exact)
                print(f"  {name:10} own {own:.4f}, true {true:.4f}, fine {fine:.4f}, {1e3 * each_s:.0f} ms", flush=True)


if __name__ == "__main__":
    main()
