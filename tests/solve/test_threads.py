"""A design is the same, bit for bit, for any number of threads.

Torch splits arrays of more than 32768 numbers among its threads (at::internal::GRAIN_SIZE), so these problems are
larger than that, of sizes that no vector register or thread divides evenly.
"""

import functools

import pytest
import torch

from flat_problems import make
from lightlathe import pipeline
from lightlathe.job import parse_job
from lightlathe.losses import LOSSES, GapHinge, LightUsed, PeakLevel, Roughness, SoftWindow, weighted
from lightlathe.solve import (
    SOLVERS,
    BoundedLBFGS,
    Filtered,
    Problem,
    Scenarios,
    Uniform,
    prove,
    repeated,
    rounded,
    solve,
)

COUNTS = (1, 2, 3, 4)


@functools.cache
def vial(dtype=torch.float32):
    made = make("hook", voxels=41, angles=41, columns=37, slices=23, dtype=dtype)
    assert min(torch.Size(made.operator.pattern_shape).numel(), made.target.solid.numel()) > 32768
    return made


def by_threads(make_it):
    """What `make_it` gives under each count of threads."""
    found = []
    for count in COUNTS:
        torch.set_num_threads(count)  # the fixture of this folder sets it back
        found.append(make_it())
    return found


def all_equal(tensors):
    return all(torch.equal(tensors[0], other) for other in tensors[1:])


@pytest.mark.parametrize(
    ("solver", "loss"),
    [*((solver, "soft_window") for solver in SOLVERS), *(("bounded_lbfgs", loss) for loss in LOSSES)],
)
def test_solvers_and_losses(solver, loss):
    problem = Problem(vial().operator, LOSSES[loss](), vial().target)
    outcomes = by_threads(lambda: solve(problem, SOLVERS[solver](), Filtered(), iterations=4))
    assert all_equal([outcome.last for outcome in outcomes])
    assert all(outcome.log["loss"] == outcomes[0].log["loss"] for outcome in outcomes)


@pytest.mark.parametrize("exponent", [1.5, 3.0, 8.0])
def test_powers_penalties_and_weights(exponent):
    weight = torch.rand(vial().target.solid.shape, generator=torch.Generator().manual_seed(1))
    penalties = (LightUsed(0.01), PeakLevel(0.01, exponent), Roughness(0.1, 0.1, 0.1))
    target = weighted(vial().target, coverage=weight, solid=3.0)
    problem = Problem(vial().operator, GapHinge(exponent=exponent), target, penalties=penalties)
    assert all_equal(by_threads(lambda: solve(problem, BoundedLBFGS(), Uniform(), iterations=4).last))


def test_double_precision():
    problem = Problem(vial(torch.float64).operator, SoftWindow(), vial(torch.float64).target)
    assert all_equal(by_threads(lambda: solve(problem, BoundedLBFGS(), Filtered(), iterations=4).last))


def test_scenarios():
    members = [(vial().operator.scaled(vial().operator.gain * scale), scale) for scale in (0.9, 0.95, 1.0, 1.05, 1.1)]
    problem = Problem(Scenarios(members), SoftWindow(), repeated(vial().target, len(members)))
    start = Filtered()(Problem(vial().operator, SoftWindow(), vial().target))
    assert all_equal(by_threads(lambda: solve(problem, BoundedLBFGS(), start, iterations=4).last))


def test_bound_and_rounding():
    made = vial()
    problem = Problem(made.operator, SoftWindow(), made.target)
    patterns = Filtered()(problem)
    allowed = torch.linspace(0, float(patterns.max()), 16)
    levels = by_threads(lambda: rounded(problem, patterns, allowed, loss=SoftWindow(1000, 1000, 1), iterations=4))
    assert all_equal(levels)
    dose, exact = made.operator(patterns), vial(torch.float64).operator
    bounds = by_threads(lambda: prove(made.operator, made.target, dose, exact=exact, iterations=4))
    assert all_equal([bound.weights for bound in bounds])
    assert all(bound.window == bounds[0].window for bound in bounds)


def test_a_whole_job(small_job, tmp_path):
    """Levels, doses and every figure of the result."""
    text = small_job(iterations=8).replace("angles = 60", "angles = 91") + "bound_iterations = 0\n"
    text = text.replace("pixel_mm = 0.25\ncolumns = 40\nrows = 20", "pixel_mm = 0.14\ncolumns = 71\nrows = 19")
    job = parse_job(text.replace("voxel_mm = 0.25", "voxel_mm = 0.14"), name="test", folder=tmp_path)
    records = by_threads(lambda: pipeline.design(job))
    assert records[0].patterns.levels.numel() > 32768
    assert records[0].part.coverage.numel() > 32768
    assert all_equal([record.patterns.levels.int() for record in records])
    assert all_equal([record.prediction.dose for record in records])
    assert len({repr(record.quality) for record in records}) == 1  # floats in full; NaN equals itself
    assert all(record.log["loss"] == records[0].log["loss"] for record in records)
