"""Rounding to a projector's levels: nearest by hand, allowed values only, one step away at most, and it helps."""

import pytest
import torch

from flat_problems import make
from lightlathe.errors import SolveError
from lightlathe.flow.levels import ROUNDING_COST
from lightlathe.job.model import ROUNDING_STEPS
from lightlathe.losses import SoftWindow
from lightlathe.solve import BoundedLBFGS, Filtered, Problem, rounded, solve
from lightlathe.solve.rounding import _moved, nearest

SHARP = SoftWindow(1000, 1000, 1)


def window(case, patterns):
    dose = case.operator(patterns)
    return float(1 - dose[case.target.liquid].max() / dose[case.target.solid].min())


def test_nearest_by_hand():
    allowed = torch.tensor([0.0, 1.0, 3.0])
    levels = torch.tensor([-1.0, 0.4, 0.5, 1.9, 2.1, 9.0])
    assert nearest(levels, allowed).tolist() == [0, 0, 1, 1, 2, 2]


def test_rounding_by_the_dose_loses_less_than_the_nearest_levels():
    """Never more; on average 0.007 to 0.011 of window less. One rounding alone may gain 0 or 0.04: a window is of the
    worst voxels, so many roundings are looked at."""
    gains = [gain for shape in ("disc", "hook", "two_pins") for gain in gains_of_rounding(make(shape))]
    assert min(gains) >= 0  # by construction
    assert sum(gains) / len(gains) > 0.0003


def gains_of_rounding(case):
    problem = Problem(case.operator, SoftWindow(sharpest=1000), case.target)
    patterns = solve(problem, BoundedLBFGS(), Filtered(), iterations=100).patterns
    for count in range(8, 32, 2):
        allowed = torch.linspace(0, 1, count, dtype=torch.float64) * patterns.max()
        found = rounded(problem, patterns, allowed, loss=SHARP)
        plain = allowed[nearest(patterns, allowed)]
        assert bool(torch.isin(found, allowed).all())
        assert float((found - patterns).abs().max()) < float(allowed[1])  # by construction
        yield window(case, found) - window(case, plain)


def test_eight_bits_cost_at_most_0_002_of_window_as_jobs_round():
    """The figure asked of the project, here on average; the worst of ten sections and thirty cases is in QUALITY.md.

    Disturbed starts move the cost of one design by 0.0003.
    """
    costs = [cost_of_eight_bits(make(shape)) for shape in ("disc", "hook", "two_pins")]
    assert sum(costs) / len(costs) <= 0.002
    assert max(costs) <= 0.003


def cost_of_eight_bits(case):
    problem = Problem(case.operator, SoftWindow(sharpest=1000), case.target)
    patterns = solve(problem, BoundedLBFGS(), Filtered(), iterations=100).patterns
    allowed = torch.linspace(0, 1, 256, dtype=torch.float64) * patterns.max()
    found = rounded(problem, patterns, allowed, loss=SHARP, iterations=ROUNDING_STEPS, enough=ROUNDING_COST)
    return window(case, patterns) - window(case, found)


def test_it_stops_at_a_rounding_that_costs_little_enough():
    case, asked = make("hook"), []
    operator = Counted(case.operator, asked)
    patterns = solve(
        Problem(case.operator, SoftWindow(), case.target), BoundedLBFGS(), Filtered(), iterations=60
    ).patterns
    for levels, enough, most in ((2**16, 1e-3, 2), (16, 1e-3, 8), (2**16, None, 7), (2**16, -1.0, 8)):
        asked.clear()
        allowed = torch.linspace(0, 1, levels, dtype=torch.float64) * patterns.max()
        rounded(Problem(operator, SHARP, case.target), patterns, allowed, loss=SHARP, iterations=6, enough=enough)
        assert len(asked) == most  # the unrounded patterns where they matter, the nearest levels, then a step each
    dark = patterns * (torch.arange(patterns.shape[0]) < 3)[:, None, None]  # light from three sides: no window to lose
    asked.clear()
    rounded(Problem(operator, SHARP, case.target), dark, allowed, loss=SHARP, iterations=6, enough=1e-3)
    assert len(asked) == 2


def test_the_operator_is_told_the_brightest_level_whatever_the_problem_says():
    case = make("disc")
    operator = Counted(case.operator, [])
    patterns, allowed = torch.full(case.operator.pattern_shape, 20.0).double(), torch.linspace(0, 40, 64).double()
    rounded(Problem(operator, SHARP, case.target, limit=10.0), patterns, allowed, loss=SHARP, iterations=1)
    assert operator.told == [40.0]


class Counted:
    """An operator that keeps count of its products, and what it was told of the light."""

    def __init__(self, operator, asked):
        self.operator, self.asked, self.told = operator, asked, []

    def within(self, light):
        self.told.append(light)
        return Counted(self.operator.within(light), self.asked)

    def __getattr__(self, name):
        return getattr(self.operator, name)

    def __call__(self, patterns):
        self.asked.append(1)
        return self.operator(patterns)


def test_each_row_moves_its_own_share():
    """Rows make slices of their own: a row whose slopes are a thousand times steeper may not take the others' moves."""
    generator = torch.Generator().manual_seed(3)
    allowed = torch.arange(9.0)
    patterns = 4 + 0.8 * (torch.rand(20, 10, 2, generator=generator) - 0.5)
    gradient = torch.randn(patterns.shape, generator=generator) * torch.tensor([1.0, 1000.0])
    index = nearest(patterns, allowed)
    moved = (_moved(index, patterns, allowed, gradient, 0.1) != index).flatten(0, 1)
    predicted = (gradient.abs() * ((patterns - index) * gradient < 0)).flatten(0, 1)  # those that may step downhill
    for row in range(2):
        count = int(moved[:, row].sum())
        assert 20 <= count <= 24  # a tenth of 200, and those whose slopes are told apart no more
        steepest = predicted[:, row].topk(count).indices
        assert moved[steepest, row].sum() >= count - 2
    assert torch.equal(_moved(index, patterns, allowed, 0 * gradient, 0.1), index)


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
    for allowed in ([0.0], [-1.0, 2.0], [0.0, 2.0, 1.0]):
        with pytest.raises(SolveError, match="rise from 0"):
            rounded(problem, torch.ones(6, 8, 1, dtype=torch.float64), torch.tensor(allowed), loss=SHARP)
