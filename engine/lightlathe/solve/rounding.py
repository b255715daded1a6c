"""Rounding to the levels that a projector has, by their effect on the dose: up or down, whichever helps."""

import dataclasses
from collections.abc import Callable

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.quantities import Target
from lightlathe.solve.metrics import Figures
from lightlathe.solve.problem import Problem
from lightlathe.support import watching

MOVED, KEPT = 0.002, 0.9  # share of each row's levels that moves at first, and how much of it in each next iteration
CHUNK = 2**24  # levels whose temporary numbers exist at a time
COARSE = 18  # bits dropped of a float32 when the steepest are counted: gradients are told apart to 3 %


def nearest(patterns: Tensor, allowed: Tensor) -> Tensor:
    """Index (int32) of the allowed level nearest to each level; `allowed` (levels,) rises. Halves go up."""
    middles = (allowed[1:] + allowed[:-1]) / 2
    return torch.searchsorted(middles, patterns.contiguous(), right=True, out_int32=True)


def rounded(
    problem: Problem,
    patterns: Tensor,
    allowed: Tensor,
    *,
    loss: Callable[[Tensor, Target], Tensor],
    iterations: int = 40,
    enough: float | None = None,
) -> Tensor:
    """The best rounding found of patterns (angle, column, row) to `allowed` levels, each within one step of its own.

    problem      its operator gives doses in units of the gel dose for these patterns
    allowed      (levels,) rising from 0 or, where a black picture is not dark, from more; in the units of the patterns
    loss         what the rounding should keep small; the soft window at its sharpest does well
    iterations   all of them are done where `enough` is left out
    enough       stop at a rounding that costs no more than this of the window, and no voxel; patterns that have no
                 window to lose get the nearest levels

    Each iteration moves, in each row (slices are made by rows of their own), the levels at which the loss is steepest
    one step downhill, where that stays within one step of the unrounded level; fewer each time. The best of all counts:
    fewest wrong voxels, then the widest window, so it is never worse than the nearest levels, which come first.
    One iteration is one product with the operator and one with its transpose, as everywhere; it waits for the device.
    """
    if allowed.ndim != 1 or len(allowed) < 2 or float(allowed[0]) < 0 or not bool((allowed.diff() > 0).all()):
        raise SolveError("the allowed levels must be two or more that rise from 0 or more.")
    patterns, allowed = patterns.contiguous(), allowed.to(patterns)
    bare = dataclasses.replace(problem, penalties=(), limit=float(allowed[-1]))
    wanted = (float("inf"), float("inf"))
    if enough is not None:
        wrong, window = _worth(problem.seen(problem.operator(patterns)), problem.target)
        wanted = wrong, window - enough
        iterations = iterations if window > 0 else 0
    index, at = nearest(patterns, allowed), None
    best, best_worth, share = index, (-float("inf"), -float("inf")), MOVED
    for step in range(iterations + 1):
        watching.step(step, iterations or None)
        levels = allowed.index_select(0, index.flatten()).reshape(index.shape)
        at = None  # the dose and the gradient of the last step are let go
        dose = bare.dose(levels)
        worth = _worth(problem.seen(dose), problem.target)
        if worth > best_worth:
            best, best_worth = index, worth
        if step == iterations or (best_worth[0] >= wanted[0] and best_worth[1] >= wanted[1]):
            break
        at = bare.evaluate(levels, loss, dose)
        index = _moved(index, patterns, allowed, at.gradient, share)
        share *= KEPT
    return allowed.index_select(0, best.flatten()).reshape(best.shape)


def _worth(dose: Tensor, target: Target) -> tuple[float, float]:
    figures = Figures.of(dose, target)
    return -float(figures.wrong), float(figures.window_relative)


def _moved(index: Tensor, patterns: Tensor, allowed: Tensor, gradient: Tensor, share: float) -> Tensor:
    """The index with the `share` of each row's levels moved whose step downhill has the largest predicted decrease."""
    shape, rows, device = index.shape, index.shape[2], index.device
    index, patterns, gradient = (whole.reshape(-1, rows) for whole in (index.clone(), patterns, gradient))
    pieces = [slice(start, start + max(1, CHUNK // rows)) for start in range(0, len(index), max(1, CHUNK // rows))]
    predicted = torch.empty(index.shape, device=device, dtype=torch.int32)  # bits of float32: they rise with it
    kinds = 2 ** (31 - COARSE)
    count = torch.zeros(rows * kinds, device=device, dtype=torch.int64)
    for piece in pieces:
        steepness, here = gradient[piece], index[piece]
        there = _downhill(here, steepness, allowed)
        step = (allowed[there] - allowed[here]).abs()
        gain = steepness.abs() * step * ((allowed[there] - patterns[piece]).abs() < step)
        predicted[piece] = gain.to(torch.float32).view(torch.int32)
        kind = (predicted[piece] >> COARSE) + torch.arange(rows, device=device) * kinds
        count += torch.bincount(kind.flatten(), minlength=len(count))
    as_good = count.reshape(rows, kinds).flip(1).cumsum(1).flip(1)  # how many have at least this predicted decrease
    wanted = max(1, int(share * len(index)))
    least = ((as_good >= wanted).sum(1) - 1) << COARSE  # all predicted decreases are 0 or more
    for piece in pieces:
        moves = (predicted[piece] >= least) & (predicted[piece] > 0)
        index[piece] = torch.where(moves, _downhill(index[piece], gradient[piece], allowed), index[piece])
    return index.reshape(shape)


def _downhill(index: Tensor, gradient: Tensor, allowed: Tensor) -> Tensor:
    return (index - gradient.sign().to(torch.int32)).clamp_(0, len(allowed) - 1)
