"""Starts: the ramp's published taps, the filtered start of a disc, even light."""

import math

import pytest
import torch

from flat_problems import make
from lightlathe.errors import JobError, ShapeError, SolveError
from lightlathe.losses import GapHinge
from lightlathe.quantities import Target
from lightlathe.solve import Filtered, Problem, Uniform, normalised
from lightlathe.solve.ramp import ramp, taps


def test_ramp_taps_are_those_of_the_book():
    """Kak & Slaney (1988), chapter 3, eq. 61 at unit spacing; they sum to 0: 1/4 = 2/pi^2 (1 + 1/9 + ...)."""
    h = taps(5)
    expected = [0, -1 / (9 * math.pi**2), 0, -1 / math.pi**2, 1 / 4, -1 / math.pi**2, 0, -1 / (9 * math.pi**2), 0]
    torch.testing.assert_close(h, torch.tensor(expected, dtype=torch.float64))
    # the tail beyond n is about 2 / pi^2 * 1 / (2 n)
    assert float(taps(4001).sum()) == pytest.approx(1 / (math.pi**2 * 4000), rel=1e-3)


def test_ramp_is_symmetric_and_positive_definite():
    basis = torch.eye(9, dtype=torch.float64)[None]
    matrix = ramp(basis)[0]
    torch.testing.assert_close(matrix, matrix.T)
    assert float(torch.linalg.eigvalsh(matrix).min()) > 0


def test_filtered_start_of_a_disc_is_a_strip():
    """Without absorption the exact profile of a disc is 1 inside and 1 - s / sqrt(s^2 - a^2) < 0 outside: radial
    inversion, g = d/ds integral of r f(r) / sqrt(s^2 - r^2); clipped, it is a strip of even light."""
    case = make("disc", voxels=96, columns=32, angles=24, absorption=0.0)
    patterns = Filtered()(Problem(case.operator, GapHinge(), case.target))[:, :, 0]
    s = (torch.arange(32) - 15.5) / 16
    assert float(patterns[:, s.abs() > 0.56].abs().max()) == 0
    inner = patterns[:, s.abs() < 0.4]
    # the rim of a disc of voxels is jagged: single levels ripple, their mean over the turn does so less
    assert float((inner / inner.mean() - 1).abs().max()) < 0.2
    assert float((inner.mean(0) / inner.mean() - 1).abs().max()) < 0.06
    dose = case.operator(patterns[:, :, None])
    assert float(dose[case.target.solid].mean()) == pytest.approx(1, rel=1e-12)


def test_even_light_is_the_unit_of_levels():
    case = make("hook")
    patterns = Uniform()(Problem(case.operator, GapHinge(), case.target))
    assert bool((patterns == 1).all())
    assert float(case.operator(patterns)[case.target.solid].mean()) == pytest.approx(1, rel=1e-12)


def test_the_limit_holds_for_a_start():
    case = make("two_pins")
    patterns = Filtered()(Problem(case.operator, GapHinge(), case.target, limit=1.5))
    assert float(patterns.max()) == 1.5


def test_a_part_in_the_dark_is_refused():
    case = make("hook")
    corner = torch.zeros_like(case.target.solid)
    corner[0, 0, 0] = True  # outside the vial
    with pytest.raises(SolveError, match="mean dose of 0"):
        normalised(case.raw, Target(corner, case.target.liquid))


def test_a_problem_checks_what_it_is_given():
    case = make("hook")
    with pytest.raises(JobError, match="limit is 0"):
        Problem(case.operator, GapHinge(), case.target, limit=0)
    with pytest.raises(ShapeError, match="target has shape"):
        Problem(case.operator, GapHinge(), make("hook", voxels=18).target)
