"""Designs at real sizes: every slice on its own against one step for all, and how far either is from the proof.

    python benchmarks/slices.py MESHES [256/180 512/360 512/720 1024/720] [--part gyroid --part tooth]

MESHES holds tooth_crown.stl and gyroid_scaffold.stl, here in a vial of 16 mm with mu R = 0.5, pixels as wide as voxels,
one row of pixels a slice, level_limit 10; the gyroid is 1.6 times its size. Sizes are voxels across / images a turn.
"window" is that of the whole part with every slice on one threshold, "wrong" the voxels that come out wrong then;
"proof" what no patterns reach, from the six narrowest slices, and its gap to the design of 200 iterations.
Times are of the iterations or the proof alone, on this machine, warm; images stand still.
"""

import argparse
import dataclasses
import time
from pathlib import Path
from typing import Any

import torch

from lightlathe.bench.machine import machine
from lightlathe.dose import Backend, DoseOperator
from lightlathe.flow.formulation import problem_of, start_of
from lightlathe.flow.prepare import prepare
from lightlathe.job import parse_job
from lightlathe.losses import SoftWindow
from lightlathe.solve import BoundedLBFGS, Problem, SlicewiseLBFGS, logged_every, prove, solve
from lightlathe.solve.metrics import Figures

RADIUS_MM, ABSORPTION = 8.0, 0.0625
PARTS = {"gyroid": ("gyroid_scaffold.stl", 1.6), "tooth": ("tooth_crown.stl", 1.0)}
SLICES = 6
JOB = """
[[part]]
mesh = "{mesh}"
unit = "mm"
scale = {scale}
[vial]
inner_diameter_mm = 16
resin_height_mm = 16
[resin]
absorption_per_mm = 0.0625
liquid_below_mj_cm3 = 35.5
solid_above_mj_cm3 = 37
[light]
pixel_mm = {voxel}
columns = {across}
rows = {across}
irradiance_mw_cm2 = 20
[turn]
angles = {angles}
seconds_per_turn = 12
motion = "stepped"
[grid]
voxel_mm = {voxel}
finer = 1
"""


def seconds(device: torch.device) -> float:
    if device.type == "cuda":
        torch.cuda.synchronize(device)
    return time.perf_counter()


def made(folder: Path, part: str, across: int, angles: int):
    """The design problem with one row of pixels a slice, and its start."""
    mesh, scale = PARTS[part]
    text = JOB.format(
        mesh=(folder / mesh).resolve(), scale=scale, voxel=2 * RADIUS_MM / across, across=across, angles=angles
    )
    setup = prepare(parse_job(text, name=part, folder=folder))
    grid = setup.part.grid
    optics = setup.operator.optics.replace(rows=grid.shape[2], row_mm=grid.voxel_mm)
    operator = DoseOperator(optics, grid, Backend(device=setup.device, dtype=setup.dtype))
    setup = dataclasses.replace(setup, operator=operator, in_design=operator)
    problem = problem_of(setup)
    return problem, start_of(setup, problem)


def designed(problem: Problem, start, solver, iterations: int, sharpest: float):
    problem = dataclasses.replace(problem, loss=SoftWindow(sharpest=sharpest))
    device = start.device
    begun = seconds(device)
    outcome = solve(problem, solver, start, iterations=iterations, log_every=logged_every(device))
    each = (seconds(device) - begun) / iterations
    figures = Figures.of(problem.operator(outcome.patterns), problem.target)
    memory = f", {torch.cuda.max_memory_allocated() / 2**30:.1f} GiB" if device.type == "cuda" else ""
    print(
        f"  {type(solver).__name__:15} {iterations:5d} iterations, k to {sharpest:5.0f}: window "
        f"{float(figures.window_relative):7.4f}, wrong {int(figures.wrong):7d}, {1e3 * each:8.2f} ms each{memory}",
        flush=True,
    )
    return figures, problem.operator(outcome.patterns)


def proven(problem: Problem, figures: Figures, dose, steps: int) -> None:
    device, narrow = dose.device, figures.windows.argsort()[:SLICES].sort().values
    few = problem.of_slices(narrow)
    operator: Any = few.operator
    double = Backend(device=device, dtype=torch.float64, precision="single")
    exact = DoseOperator(operator.optics, operator.grid, double, gain=operator.gain)
    begun = seconds(device)
    bound = prove(operator, few.target, dose[:, :, narrow].contiguous(), exact=exact, iterations=steps)
    gap = bound.window - float(figures.window_relative)
    print(f"  proof, {steps:4d} steps: {bound.window:.4f}, gap {gap:.4f}, {seconds(device) - begun:.2f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("meshes", type=Path)
    parser.add_argument("sizes", nargs="*", default=["256/180"])
    parser.add_argument("--part", action="append", choices=list(PARTS))
    arguments = parser.parse_args()
    print(machine(torch.device("cuda" if torch.cuda.is_available() else "cpu")))
    for size in arguments.sizes:
        across, angles = (int(number) for number in size.split("/"))
        for part in arguments.part or PARTS:
            problem, start = made(arguments.meshes, part, across, angles)
            print(f"{part} {size}: {problem.operator.dose_shape} voxels, kernel {problem.operator.kernel}", flush=True)
            designed(problem, start, SlicewiseLBFGS(), 10, 300.0)  # kernels are loaded
            designed(problem, start, BoundedLBFGS(), 60, 100.0)
            designed(problem, start, BoundedLBFGS(), 200, 100.0)
            designed(problem, start, SlicewiseLBFGS(), 60, 300.0)
            found = designed(problem, start, SlicewiseLBFGS(), 200, 600.0)
            for steps in (100, 400):
                proven(problem, *found, steps)


if __name__ == "__main__":
    main()
