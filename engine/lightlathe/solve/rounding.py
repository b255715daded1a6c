"""Rounding to the levels that a projector has, with an eye on the dose: up where that helps, down where that does."""

import dataclasses
from collections.abc import Callable

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.quantities import Target
from lightlathe.solve.figures import Figures
from lightlathe.solve.problem import Problem

MOVED, KEPT = 0.005, 0.9  # share of the levels that moves at first, and how much of that share in each next iteration


def nearest(patterns: Tensor, allowed: Tensor) -> Tensor:
    """Index of the allowed level nearest to each level; `allowed` (levels,) rises. Halves go up."""
    middles = (allowed[1:] + allowed[:-1]) / 2
    return torch.searchsorted(middles, patterns.contiguous(), right=True)


def rounded(
    problem: Problem,
    patterns: Tensor,
    allowed: Tensor,
    *,
    loss: Callable[[Tensor, Target], Tensor],
    iterations: int = 40,
) -> Tensor:
    """The best rounding found of patterns (angle, column, row) to `allowed` levels, each within one step of its own.

    problem      its operator gives doses in units of the gel dose for these patterns
    allowed      (levels,) rising from 0, in the units of the patterns
    loss         what the rounding should keep small; the soft window at its sharpest does well

    Each iteration moves the levels with the steepest slope of the loss one step downhill, where that stays within one
    step of the unrounded level; fewer each time. The best of all counts: fewest wrong voxels, then the widest window,
    so it is never worse than the nearest levels, which come first.
    One iteration is one product with the operator and one with its transpose, as everywhere; it waits for the device.
    """
    if allowed.ndim != 1 or len(allowed) < 2 or float(allowed[0]) != 0 or not bool((allowed.diff() > 0).all()):
        raise SolveError("the allowed levels must be two or more that rise from 0.")
    allowed = allowed.to(patterns)
    bare = dataclasses.replace(problem, penalties=())
    index = nearest(patterns, allowed)
    best, best_worth, share = index, (-float("inf"), -float("inf")), MOVED
    for _ in range(iterations + 1):
        at = bare.evaluate(allowed[index], loss)
        figures = Figures.of(at.dose, problem.target)
        worth = (-float(figures.wrong), float(figures.window_relative))
        if worth > best_worth:
            best, best_worth = index, worth
        there = (index - at.gradient.sign().to(torch.int64)).clamp(0, len(allowed) - 1)
        step = (allowed[there] - allowed[index]).abs()
        gain = at.gradient.abs() * step * ((allowed[there] - patterns).abs() < step)
        steepest = gain.flatten().kthvalue(gain.numel() - max(1, int(share * gain.numel())) + 1).values
        index = torch.where((gain >= steepest) & (gain > 0), there, index)
        share *= KEPT
    return allowed[best]
