"""How good designs are, against the best that exists: linear programs on ten unlike sections, and their true shapes.

    OMP_NUM_THREADS=1 python benchmarks/quality.py [window zero bound bits honest solvers losses dose limit] [--large]

window    excess of max outside / min inside over the linear program's, in 100, 200, 400 iterations
zero      iterations to the first design without a wrong voxel
bound     how far the proven bound lies above the linear program
bits      window lost by levels of 8 and 6 bits
honest    overlap with the true shape on 224 voxels, designed with 32 columns on 32, 64 and 96 voxels
solvers   every solver on the window, equal iterations
losses    every loss: wrong voxels, window and overlap with the true shape
dose      wrong voxels when the dose is off by 5 and 10 %
limit     what a limit on levels costs, against the linear program with that limit
--large   window and bound at 64 x 64 with 128 angles as well (the linear programs take some ten minutes)

One iteration is one product with the operator and one with its transpose. Sections, sizes and every figure asked for
are those of the project's goals; the column "asked" shows them. Seconds are of this run on this machine.
"""

import argparse
import itertools
import math
import time
from collections.abc import Callable

import numpy as np
import scipy
import torch

from lightlathe.bench.machine import machine
from lightlathe.flow.levels import ROUNDING_COST
from lightlathe.job.model import ROUNDING_STEPS
from lightlathe.losses import (
    DoseCorridor,
    GapHinge,
    Logistic,
    SoftOverlap,
    SoftWindow,
    SquaredError,
    WorstShare,
    weighted,
)
from lightlathe.quantities import Grid
from lightlathe.solve import (
    AcceleratedGradient,
    Adam,
    BoundedLBFGS,
    Filtered,
    FreeSetRamp,
    PrimalDual,
    Problem,
    Uniform,
    prove,
    rounded,
    solve,
)
from sections import Sections, best_ratio, cases, coverage, target

WIDEST = SoftWindow(sharpest=1000)
SMALL = {"voxels": 32, "angles": 96}
LARGE = {"voxels": 64, "angles": 128}
ROUNDINGS = {
    "nearest levels": {"iterations": 0},
    "as jobs do by default": {"iterations": ROUNDING_STEPS, "enough": ROUNDING_COST},
    "40 steps on all": {"iterations": 40},
}


def row(name: str, values: list[float], asked: str = "", unit: str = "%", seconds: float = math.nan) -> None:
    numbers = f"{np.mean(values):9.4f} {np.max(values):9.4f} {np.min(values):9.4f}"
    print(
        f"{name:58s} {numbers} {unit:6s} {asked:16s} {'' if math.isnan(seconds) else f'{seconds:8.1f} s'}", flush=True
    )


def head(title: str) -> None:
    print(f"\n{title}\n{'':58s} {'mean':>9s} {'most':>9s} {'least':>9s} {'':6s} {'asked':16s}")


def designed(case: Sections, iterations: int, *, loss=WIDEST, solver=None, start=None, limit=math.inf, weights=False):
    aim = weighted(case.target, coverage=coverage(case.section, case.voxels)) if weights else case.target
    problem = Problem(case.operator, loss, aim, limit=limit)
    return solve(problem, solver or BoundedLBFGS(), start or Filtered(), iterations=iterations)


def ratio(outcome) -> float:
    return 1 - np.nanmax(outcome.log["window_relative"])


def excess(case: Sections, iterations: int, **settings) -> float:
    return 100 * (ratio(designed(case, iterations, **settings)) / best_ratio(case) - 1)


def window(large: bool) -> None:
    head("Excess over the linear program, loss soft_window(sharpest = 1000), solver bounded_lbfgs, start filtered")
    sizes = [(SMALL, (0.0, 1.0, 2.0), (5, 1.5, 0.7))] + [(LARGE, (1.0,), (6, 2.5, 1))] * large
    for size, absorptions, asked in sizes:
        group = cases(**size, absorptions=absorptions)
        for case in group:
            best_ratio(case)
        for iterations, most in zip((100, 200, 400), asked, strict=True):
            began = time.perf_counter()
            found = [excess(case, iterations) for case in group]
            name = f"{size['voxels']}^2, {size['angles']} angles, {len(group)} cases, {iterations} iterations"
            row(name, found, f"at most {most}", seconds=time.perf_counter() - began)


def zero(large: bool) -> None:
    head("Iterations to the first design without a wrong voxel, loss gap_hinge, mu R = 1")
    for solver, start in itertools.product((FreeSetRamp(), BoundedLBFGS()), (Filtered(), Uniform())):
        counts = []
        for case in cases(**SMALL, absorptions=(1.0,)):
            log = designed(case, 30, loss=GapHinge(), solver=solver, start=start, limit=10.0).log
            wrong = np.add(log["under_cure_fraction"], log["over_cure_fraction"])
            counts.append(1 + int(np.argmax(wrong == 0)) if (wrong == 0).any() else math.inf)
        first = isinstance(solver, FreeSetRamp) and isinstance(start, Filtered)
        row(f"{type(solver).__name__}, {type(start).__name__}", counts, "at most 6" if first else "", "its")


def bound(large: bool) -> None:
    head("Proven window less the linear program's (never below 0), from a design of 100 iterations")
    for size, absorptions, asked in [(SMALL, (0.0, 1.0, 2.0), 0.03)] + [(LARGE, (1.0,), 0.05)] * large:
        group = cases(**size, absorptions=absorptions)
        doses = {case: case.operator(designed(case, 100).patterns) for case in group}
        for iterations in (50, 100, 200):
            began = time.perf_counter()
            found = []
            for case in group:
                proof = prove(case.operator, case.target, doses[case], exact=case.operator, iterations=iterations)
                found.append(proof.window - (1 - best_ratio(case)))
            name = f"{size['voxels']}^2, {len(group)} cases, {iterations} iterations"
            row(name, found, f"at most {asked}" if iterations == 100 else "", "", time.perf_counter() - began)


def bits(large: bool) -> None:
    head("Window lost by rounding levels, limit 10, 200 iterations")
    loss = SoftWindow(1000, 1000, 1)
    for size, absorptions in (((32, 96), (0.0, 1.0, 2.0)), ((48, 96), (1.0,))):
        group = cases(*size, absorptions)
        designs = [designed(case, 200, limit=10.0).patterns for case in group]
        for depth, (how, settings) in itertools.product((8, 6), ROUNDINGS.items()):
            lost = []
            for case, patterns in zip(group, designs, strict=True):
                allowed = torch.linspace(0, 1, 2**depth, dtype=torch.float64) * patterns.max()
                found = rounded(Problem(case.operator, loss, case.target), patterns, allowed, loss=loss, **settings)
                lost.append(window_of(case, patterns) - window_of(case, found))
            asked = "at most 0.002" if depth == 8 and "default" in how else ""
            row(f"{size[0]}^2, {len(group)} cases, {depth} bits, {how}", lost, asked, "")


def window_of(case: Sections, patterns: torch.Tensor) -> float:
    dose = case.operator(patterns)
    return float(1 - dose[case.target.liquid].max() / dose[case.target.solid].min())


def true_overlap(case: Sections, patterns: torch.Tensor, factors: tuple[float, ...] = (1.0,)) -> list[float]:
    """Intersection over union with the true shape on 224 voxels, at the threshold that suits the job's own voxels best.

    factors   on the dose: how the overlap stands when the exposure is off
    """
    dose = case.operator(patterns)
    inside, outside = (dose[mask].sort().values for mask in (case.target.solid, case.target.liquid))
    at = torch.linspace(0.8, 1.2, 401, dtype=torch.float64)
    wrong = torch.searchsorted(inside, at) + len(outside) - torch.searchsorted(outside, at)
    threshold = at[wrong == wrong.min()].mean()
    fine = case.operator.on(Grid((224, 224, 1), 2 / 224))(patterns)
    shape = target(case.section, 224)
    found = []
    for factor in factors:
        cured = fine * factor >= threshold
        found.append(float((cured & shape.solid).sum() / (shape.solid | (cured & shape.liquid)).sum()))
    return found


def honest(large: bool) -> None:
    head("Overlap (IoU) with the true shape on 224 voxels; 32 columns, 96 angles, mu R = 1, limit 10")
    for voxels, weights in itertools.product((32, 64, 96), (False, True)):
        group = cases(voxels, 96, (1.0,), columns=32)
        for loss, solver, iterations in ((SoftWindow(), None, 100), (GapHinge(), FreeSetRamp(), 20)):
            settings = {"loss": loss, "solver": solver, "limit": 10.0, "weights": weights}
            found = [true_overlap(c, designed(c, iterations, **settings).patterns)[0] for c in group]
            asked = "0.97, least 0.93" if voxels == 96 and weights and solver is None else ""
            kind = "by coverage" if weights else "even weights"
            row(f"{voxels} voxels, {type(loss).__name__}, {iterations} iterations, {kind}", found, asked, "")


def solvers(large: bool) -> None:
    head("Every solver: excess over the linear program, mu R = 1, loss soft_window(sharpest = 1000)")
    group = cases(**SMALL, absorptions=(1.0,))
    for solver in (BoundedLBFGS(), FreeSetRamp(), AcceleratedGradient(), Adam(), PrimalDual()):
        for iterations in (100, 400):
            began = time.perf_counter()
            found = [excess(case, iterations, solver=solver) for case in group]
            row(f"{type(solver).__name__}, {iterations} iterations", found, seconds=time.perf_counter() - began)


def losses(large: bool) -> None:
    every = [SoftWindow(), WIDEST, GapHinge(), GapHinge(1.1, 0.9), GapHinge(exponent=8), Logistic(), Logistic(60),
             SoftOverlap(), WorstShare(), DoseCorridor(), SquaredError()]  # fmt: skip
    group = cases(96, 96, (1.0,), columns=32)
    for weights in (False, True):
        head(f"Every loss, 96 voxels on 32 columns, bounded_lbfgs 100, {'by coverage' if weights else 'even'}")
        for loss in every:
            own, windows, overlaps = [], [], []
            for case in group:
                outcome = designed(case, 100, loss=loss, limit=10.0, weights=weights)
                log = outcome.log
                own.append(100 * np.min(np.add(log["under_cure_fraction"], log["over_cure_fraction"])))
                windows.append(window_of(case, outcome.patterns))
                overlaps.append(true_overlap(case, outcome.patterns)[0])
            row(f"{loss!r:.46s}: wrong", own)
            row(f"{'':10s}window", windows, unit="")
            row(f"{'':10s}overlap with the true shape", overlaps, unit="")


def dose(large: bool) -> None:
    head("Wrong voxels (share of the judged) when the dose is off; 48^2, 96 angles, mu R = 1, 200 iterations, limit 10")
    for name, loss, solver in (("soft_window", WIDEST, None), ("gap_hinge(1.05, 0.95)", GapHinge(), FreeSetRamp())):
        for percent in (5, 10):
            shares = []
            for case in cases(48, 96, (1.0,)):
                found = case.operator(designed(case, 200, loss=loss, solver=solver, limit=10.0).patterns)
                solid, liquid = case.target.solid, case.target.liquid
                for factor in (1 - percent / 100, 1 + percent / 100):
                    wrong = ((found * factor < 1) & solid) | ((found * factor >= 1) & liquid)
                    shares.append(100 * float(wrong.sum() / (solid | liquid).sum()))
            row(f"{name}, dose off by {percent} %", shares)


def limit(large: bool) -> None:
    head("Excess over the linear program with the same limit on levels, and its cost; mu R = 1, 400 iterations")
    group = cases(**SMALL, absorptions=(1.0,))
    for most in (10.0, 4.0):
        over, cost = [], []
        for case in group:
            outcome = designed(case, 400, limit=most)
            least = float(case.operator(outcome.patterns)[case.target.solid].min())
            best = best_ratio(case, most / least)  # the program fixes the least dose in the part at 1
            over.append(100 * (ratio(outcome) / best - 1))
            cost.append(best - best_ratio(case))
        row(f"limit {most:g}: excess", over)
        row(f"limit {most:g}: window that the limit costs any design", cost, unit="")


PARTS: dict[str, Callable[[bool], None]] = {
    f.__name__: f for f in (window, zero, bound, bits, honest, solvers, losses, dose, limit)
}


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which tables; all where none is named")
    reader.add_argument("--large", action="store_true")
    chosen = reader.parse_args()
    print(machine(torch.device("cpu")), f"scipy {scipy.__version__}, {torch.get_num_threads()} threads")
    for name in chosen.parts or PARTS:
        PARTS[name](chosen.large)


if __name__ == "__main__":
    main()
