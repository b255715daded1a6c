"""Designs whose slices light couples: the rows' own directions against one direction for all.

    python benchmarks/coupled.py [--across 63] [--images 240] [--iterations 200] [--part valve] [--light blur rows]

Parts of configs/ and, with --tooth tooth_crown.stl, the tooth in 0.6 of its size, in a vial of 10 mm; pixels as wide as
voxels, images that stand. "former" is `bounded_lbfgs` with slices joined by q = 20; "joint" the same with the q that
jobs choose now; "rows" is `slicewise_lbfgs`. Windows of the best patterns so far, seconds of processor time.
"""

import argparse
import dataclasses
import time
import tomllib
from pathlib import Path
from typing import Any

import torch

from lightlathe.bench.machine import machine
from lightlathe.flow.formulation import problem_of, start_of
from lightlathe.flow.prepare import prepare
from lightlathe.job import job_from
from lightlathe.losses import SoftWindow
from lightlathe.solve import BoundedLBFGS, Problem, SlicewiseLBFGS, Solver, solve

FOLDER = Path(__file__).parents[1] / "configs"
PARTS = {"valve": "quickstart", "gyroid": "gyroid", "tooth": "quickstart"}
FIELD_MM, LENS = 10.08, 1.15  # a lens magnifies: its field is that much wider in pixels
LIGHT: dict[str, dict[str, Any]] = {
    "blur": {"pixel_shape": "square"},  # of one pixel
    "rows": {},  # pixels of 1.25 voxels
    "lens": {"beam": {"kind": "diverging", "distance_mm": 80.0}},
    "tilt": {"axis_tilt_deg": 2.0},
}
SOLVERS: dict[str, tuple[Solver, SoftWindow]] = {
    "former": (BoundedLBFGS(), SoftWindow(slice_sharpness=20.0)),
    "joint": (BoundedLBFGS(), SoftWindow()),
    "rows": (SlicewiseLBFGS(), SoftWindow()),
}


def made(part: str, light: str, across: int, images: int, tooth: Path | None) -> tuple[Problem, Any]:
    """The problem of a part in some light, and the patterns that it starts from."""
    tables = tomllib.loads((FOLDER / f"{PARTS[part]}.toml").read_text())
    voxel = round(FIELD_MM / across, 4)
    pixel, wider = voxel * (1.25 if light == "rows" else 1), LENS if light == "lens" else 1
    rows = tables["light"]["rows"] * tables["light"]["pixel_mm"]
    tables["turn"].update(angles=images, motion="stepped")
    tables["grid"].update(voxel_mm=voxel, finer=1)
    columns, rows = (int(int(size / pixel) * wider) for size in (FIELD_MM, rows))
    tables["light"].update(LIGHT[light], pixel_mm=pixel, columns=columns, rows=rows)
    if light == "blur":
        tables["light"]["blur_mm"] = pixel
    if part == "tooth" and tooth is not None:
        tables["part"].update(mesh=str(tooth.resolve()), scale=0.6)
    setup = prepare(job_from(tables, name=part, folder=FOLDER))
    problem = problem_of(setup)
    return problem, start_of(setup, problem)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--across", type=int, default=63)
    reader.add_argument("--images", type=int, default=240)
    reader.add_argument("--iterations", type=int, default=200)
    reader.add_argument("--part", nargs="+", choices=list(PARTS), default=["valve", "gyroid"])
    reader.add_argument("--light", nargs="+", choices=list(LIGHT), default=list(LIGHT))
    reader.add_argument("--solver", nargs="+", choices=list(SOLVERS), default=list(SOLVERS))
    reader.add_argument("--tooth", type=Path)
    options = reader.parse_args()
    if "tooth" in options.part and options.tooth is None:
        reader.error("the tooth needs its mesh: --tooth tooth_crown.stl")
    print(machine(torch.device("cpu")))
    for part in options.part:
        for light in options.light:
            problem, start = made(part, light, options.across, options.images, options.tooth)
            print(f"{part}, {light}: patterns {problem.operator.pattern_shape}, voxels {problem.operator.dose_shape}")
            for name in options.solver:
                solver, loss = SOLVERS[name]
                began = time.process_time()
                found = solve(dataclasses.replace(problem, loss=loss), solver, start, iterations=options.iterations)
                windows, spent_s = found.log["window_relative"], time.process_time() - began
                on_the_way = [f"{max(windows[: count + 1]):.4f}" for count in range(49, len(windows), 50)]
                print(f"  {name:7} {' '.join(on_the_way)}  {spent_s:.1f} s", flush=True)


if __name__ == "__main__":
    main()
