"""Rounding to a projector's levels: nearest by hand, allowed values only, one step away at most, and it helps."""

import pytest
import torch
from flat_problems import make

from lightlathe.errors import SolveError
from lightlathe.losses import SoftWindow
from lightlathe.solve import BoundedLBFGS, Filtered, Problem, rounded, solve
from lightlathe.solve.rounding import nearest

SHARP = SoftWindow(1000, 1000, 1)


def window(case, patterns):
    dose = case.operator(patterns)
    return float(1 - dose[case.target.liquid].max() / dose[case.target.solid].min())


def test_nearest_by_hand():
    allowed = torch.tensor([0.0, 1.0, 3.0])
    levels = torch.tensor([-1.0, 0.4, 0.5, 1.9, 2.1, 9.0])
    assert nearest(levels, allowed).tolist() == [0, 0, 1, 1, 2, 2]


@pytest.mark.parametrize("shape", ["disc", "hook", "two_pins"])
def test_rounding_with_an_eye_on_the_dose_loses_less_than_the_nearest_levels(shape):
    case = make(shape)
    problem = Problem(case.operator, SoftWindow(sharpest=1000), case.target)
    patterns = solve(problem, BoundedLBFGS(), Filtered(), iterations=100).patterns
    allowed = torch.linspace(0, 1, 64, dtype=torch.float64) * patterns.max()
    found = rounded(problem, patterns, allowed, loss=SHARP)
    plain = allowed[nearest(patterns, allowed)]
    assert window(case, found) > window(case, plain)
    assert bool(torch.isin(found, allowed).all())
    assert float((found - patterns).abs().max()) < float(allowed[1])


def test_uneven_levels():
    """A projector with a response curve has levels close together where it is dark."""
    case = make("hook")
    problem = Problem(case.operator, SoftWindow(sharpest=1000), case.target)
    patterns = solve(problem, BoundedLBFGS(), Filtered(), iterations=60).patterns
    allowed = torch.linspace(0, 1, 32, dtype=torch.float64) ** 2.2 * patterns.max()
    found = rounded(problem, patterns, allowed, loss=SHARP, iterations=10)
    index = torch.searchsorted(allowed, found)
    assert torch.equal(allowed[index], found)
    low, high = allowed[(index - 1).clamp(min=0)], allowed[(index + 1).clamp(max=31)]
    assert bool(((patterns >= low) & (patterns <= high)).all())


def test_levels_that_do_not_rise_are_refused():
    case = make("hook", voxels=8, angles=6)
    problem = Problem(case.operator, SHARP, case.target)
    for allowed in ([0.0], [1.0, 2.0], [0.0, 2.0, 1.0]):
        with pytest.raises(SolveError, match="rise from 0"):
            rounded(problem, torch.ones(6, 8, 1, dtype=torch.float64), torch.tensor(allowed), loss=SHARP)
