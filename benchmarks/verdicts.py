"""The verdict beside what can be reached: discs of three radii in ever darker resin.

    python benchmarks/verdicts.py [--voxels 32] [--angles 96] [--iterations 60] [--programs] [--json FILE]

For each absorption times vial radius (mu R) and part radius: the check's word, the proven limit of the process window,
the window and the wrong voxels of a design, and with --programs the widest window of all designs by a linear program
(scipy's HiGHS; seconds each).
"""

import argparse
import dataclasses
import json
import platform
import time

import scipy
import torch

from lightlathe.beams import Telecentric
from lightlathe.beams.telecentric import full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.feasibility import Case, Extent, verdict_on
from lightlathe.feasibility.resin import window_limit
from lightlathe.job.light import Light
from lightlathe.job.model import GridTable, Turn
from lightlathe.job.vial import Vial
from lightlathe.losses import LOSSES
from lightlathe.quantities import Grid, Optics, Target
from lightlathe.resins import Threshold
from lightlathe.solve import SOLVERS, STARTS, Problem, normalised, solve

MU_R = (0.2, 0.5, 1.0, 1.5, 1.8, 2.0, 2.1, 2.2, 2.4, 2.7, 2.9, 3.2, 4.0)
PART = (0.25, 0.5, 0.75)
RADIUS_MM = 8.0


def operator_for(voxels: int, angles: int, rows: int, a: float) -> DoseOperator:
    """A vial of RADIUS_MM, pixels as large as voxels, every row a slice of its own."""
    size = 2 * RADIUS_MM / voxels
    chords = Telecentric().chords(angle_rad=full_turn(angles), columns=voxels, rows=rows, pixel_mm=size)
    grid = Grid((voxels, voxels, rows), size)
    return DoseOperator(Optics(chords, RADIUS_MM, a / RADIUS_MM), grid, Backend("reference", dtype=torch.float64))


def case_for(voxels: int, angles: int, a: float, part: float) -> Case:
    size = 2 * RADIUS_MM / voxels
    return Case(
        Vial(inner_diameter_mm=2 * RADIUS_MM, resin_height_mm=20.0),
        Threshold(absorption_per_mm=a / RADIUS_MM, liquid_below_mj_cm3=34.0, solid_above_mj_cm3=38.0),
        Light(pixel_mm=size, columns=voxels, rows=voxels, irradiance_mw_cm2=20.0),
        Turn(angles=angles, seconds_per_turn=12.0),
        GridTable(voxel_mm=size),
        Extent(radius_mm=part * RADIUS_MM, height_mm=8.0),
    )


def designed(target: Target, operator: DoseOperator, iterations: int) -> tuple[float, int]:
    """(window, wrong voxels at the best threshold that leaves the part whole) of a design."""
    problem = Problem(normalised(operator, target), LOSSES["soft_window"](), target, limit=1e3)
    out = solve(problem, SOLVERS["bounded_lbfgs"](), STARTS["filtered"](), iterations=iterations)
    dose = problem.operator(out.patterns)
    low, high = float(dose[target.liquid].max()), float(dose[target.solid].min())
    return 1 - low / high if high > 0 else float("-inf"), int((dose[target.liquid] >= high).sum())


def widest(target: Target, operator: DoseOperator) -> float:
    """The widest window of all patterns, by a linear program over the whole matrix."""
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix, hstack, vstack

    angles, voxels, _ = operator.pattern_shape
    wide = operator_for(voxels, angles, angles * voxels, operator.views.absorption_per_mm * RADIUS_MM)
    matrix = wide(torch.eye(angles * voxels, dtype=torch.float64).reshape(wide.pattern_shape))
    part, void = (csr_matrix(matrix[m[:, :, 0]].numpy()) for m in (target.solid, target.liquid))
    rows = vstack(
        [hstack([void, csr_matrix((void.shape[0], 1))]), hstack([-part, csr_matrix([[1.0]] * part.shape[0])])]
    )
    right = [1.0] * void.shape[0] + [0.0] * part.shape[0]
    found = linprog([0.0] * (angles * voxels) + [-1.0], A_ub=rows, b_ub=right, method="highs-ipm")
    return 1 - 1 / found.x[-1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--voxels", type=int, default=32)
    parser.add_argument("--angles", type=int, default=96)
    parser.add_argument("--iterations", type=int, default=60)
    parser.add_argument("--programs", action="store_true")
    parser.add_argument("--json")
    options = parser.parse_args()
    print(f"{platform.processor() or platform.machine()}, torch {torch.__version__}, scipy {scipy.__version__}")
    print(f"{options.voxels} voxels, {options.angles} angles, {options.iterations} iterations")
    print(
        f"{'mu R':>5} {'part':>5} {'verdict':12} {'limit':>8} {'design':>8} {'wrong':>6} {'widest':>8} {'check s':>8}"
    )
    rows = []
    for part in PART:
        for a in MU_R:
            case = case_for(options.voxels, options.angles, a, part)
            began = time.perf_counter()
            (reason,) = verdict_on(case).of("absorption")
            seconds = time.perf_counter() - began
            operator = operator_for(options.voxels, options.angles, 1, a)
            inside = operator.views.inside()[:, :, None]
            disc = (operator.grid.radius_mm() <= part * RADIUS_MM)[:, :, None]
            target = Target(solid=disc & inside, liquid=~disc & inside)
            window, wrong = designed(target, operator, options.iterations)
            most = widest(target, operator) if options.programs else float("nan")
            limit = window_limit(case)(case.resin.absorption_per_mm)
            row = {"mu_r": a, "part": part, "verdict": reason.level, "limit": limit, "design": window, "wrong": wrong}
            rows.append(row | {"widest": most, "check_s": seconds, "case": dataclasses.asdict(case)})
            print(
                f"{a:5.2f} {part:5.2f} {reason.level:12} {limit:8.3f} {window:8.3f} {wrong:6d} "
                f"{most:8.3f} {seconds:8.4f}",
                flush=True,
            )
    if options.json:
        with open(options.json, "w", encoding="utf-8") as file:
            json.dump(rows, file, indent=1)


if __name__ == "__main__":
    main()
