"""Starts from earlier designs, and the ladder from coarse voxels to fine ones."""

import pytest
import torch

from flat_problems import make
from lightlathe.beams.telecentric import full_turn
from lightlathe.errors import SolveError
from lightlathe.losses import GapHinge
from lightlathe.solve import Earlier, Filtered, FreeSetRamp, Problem, patterns_for, solve


def problem_of(case, limit=10.0, loss=None):
    return Problem(case.operator, loss or GapHinge(), case.target, limit=limit)


def smooth(angles, columns, pixel_mm):
    """Levels that a straight line between pixels follows to a few parts in a thousand."""
    s = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * pixel_mm
    return (2 + torch.cos(full_turn(angles))[:, None] * torch.cos(s)[None, :])[:, :, None]


def test_the_same_geometry_gives_the_same_patterns_back():
    case = make("hook", angles=24)
    levels = smooth(24, 16, 2 / 16)
    found = patterns_for(problem_of(case), levels, full_turn(24), 2 / 16)
    torch.testing.assert_close(found / found.sum(), levels / levels.sum())
    assert float(case.operator(found)[case.target.solid].mean()) == pytest.approx(1, rel=1e-12)


def test_other_columns_and_angles_are_read_between():
    """Interpolation errors: angle step 2 pi / 60: (step / 2)^2 / 2 = 0.14 %; pixels of 1/15: 0.06 %."""
    case = make("hook", voxels=16, angles=24)
    found = patterns_for(problem_of(case), smooth(60, 30, 2 / 30), full_turn(60, 0.3), 2 / 30)
    want = (2 + torch.cos(full_turn(24) - 0.3)[:, None] * torch.cos((torch.arange(16.0) - 7.5) / 8)[None, :])[
        :, :, None
    ]
    inner = slice(1, -1)  # the outermost columns of the new projector lie on the edge of the old
    ratio = (found / want)[:, inner]
    assert float(ratio.max() / ratio.min() - 1) < 0.004


def test_a_turn_the_other_way_round():
    case = make("hook", angles=24)
    levels = smooth(24, 16, 2 / 16)
    order = [0, *range(23, 0, -1)]
    found = patterns_for(problem_of(case), levels[order], -full_turn(24), 2 / 16)
    torch.testing.assert_close(found / found.sum(), levels / levels.sum())


def test_dark_beyond_the_earlier_projector_and_limit_kept():
    case = make("disc", angles=24)
    found = patterns_for(problem_of(case, limit=0.9), torch.ones(24, 8, 1), full_turn(24), 2 / 16)
    assert float(found[:, :3].abs().max()) == 0
    assert float(found.max()) == pytest.approx(0.9)


def test_refusals():
    case = make("two_pins", angles=24)
    with pytest.raises(SolveError, match="one whole turn"):
        patterns_for(problem_of(case), torch.ones(24, 16, 1), full_turn(24) / 2, 2 / 16)
    with pytest.raises(SolveError, match="leave this part dark"):
        patterns_for(problem_of(case), torch.zeros(24, 16, 1), full_turn(24), 2 / 16)
    with pytest.raises(SolveError, match=r"mine\.h5.*has not been read"):
        Earlier("mine.h5")(problem_of(case))


def test_a_warm_start_saves_iterations_in_another_resin():
    before = make("hook", absorption=1.0)
    levels = solve(problem_of(before), FreeSetRamp(), Filtered(), iterations=20).patterns
    case = make("hook", absorption=1.15)
    warm = patterns_for(problem_of(case), levels, full_turn(24), 2 / 16)
    logs = [solve(problem_of(case), FreeSetRamp(), start, iterations=8).log["loss"] for start in (warm, Filtered())]
    assert logs[0][0] < logs[1][0]
    # 2e-5: a voxel in a hundred is short of the gap by some 0.05, so what is left is a matter of few voxels
    needed = [next(n for n, loss in enumerate(log) if loss < 2e-5) for log in logs]
    assert needed[0] < needed[1]
