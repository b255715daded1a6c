"""A dual bound: a certified upper bound on the process window of any patterns.

For weights p on the voxels that must stay liquid and q on the part, each summing to 1, and any patterns g >= 0:

    max outside >= p . D = sum_j (A'p)_j g_j >= r sum_j (A'q)_j g_j = r q . D >= r min inside
    with r = min over rays j of (A'p)_j / (A'q)_j

so no patterns reach a ratio below r, or a relative window above 1 - r. With optimal weights the bound is tight (strong
duality of linear programming). Weights on one slice bound that slice, and the worst slice bounds the whole print.
"""

import math
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.quantities import Target
from lightlathe.solve.problem import Evaluated
from lightlathe.solve.slicewise import SlicewiseLBFGS
from lightlathe.support.sums import by_slice, log_of_sum
from lightlathe.support.watching import doing, step

MAX_LOG_RATIO = 40.0  # natural logarithm of the heaviest weight over the lightest
START_SHARPNESS = (10.0, 30.0, 100.0, 300.0, 1000.0)  # sharpnesses of the soft windows whose weights are tried first
TINY = 1e-30
ROUNDING = 1e-9  # relative; see `certify`
RAMP, ROUND, MOST = 200, 100, 2000  # steps where none are said: through all sharpnesses, from look to look, in all
WON = 0.002  # of window: a round that lowers the bound by no more is the last, as of a design


@dataclass(frozen=True)
class Bound:
    """Certified upper bounds on the relative window.

    window           of the whole print, with light of any strength
    by_slice         (z,) float64: the window of each slice alone; 1 where a slice has no voxel of one class
    weights          (x, y, z) float64: the certificate; the weights of each class sum to 1 in every slice
    """

    window: float
    by_slice: Tensor
    weights: Tensor

    @property
    def worst_slice(self) -> int:
        return int(self.by_slice.argmin())

    def heaviest(self, mask: Tensor) -> tuple[int, int, int]:
        """The voxel of `mask` (x, y, z) in the worst slice with the largest weight: the window is limited there."""
        weights = torch.where(mask.to(self.weights.device), self.weights, -1.0)[:, :, self.worst_slice]
        i, j = divmod(int(weights.flatten().argmax()), weights.shape[1])
        return i, j, self.worst_slice


def prove(
    operator: Any, target: Target, dose: Tensor, *, exact: Any, iterations: int | None = None, most: int = MOST
) -> Bound:
    """The tightest bound that is found in a number of steps on the weights, certified with the operator `exact`.

    operator     gives each slice from one row of patterns of its own (rows and slices one to one); normalised
    dose         (x, y, z) in units of the gel dose, of a design: its worst voxels are where the weights start
    exact        the same operator in float64, normalised alike, on any device
    iterations   steps; left out: until ROUND of them lower the bound by no more than WON, `most` at most

    One iteration is one product with the operator and one with its transpose, of twice the slices.
    """
    dual, depth, _ = _searched(operator, target, dose, iterations, most)
    return certify(exact, target, dual.weights(depth))


def estimate(operator: Any, target: Target, dose: Tensor, *, iterations: int) -> Tensor:
    """(slice,) the bounds that `prove` finds, in the operator's own precision: nothing is certified."""
    return 1 - torch.exp(-_searched(operator, target, dose, iterations, iterations)[2])


def first_bounds(operator: Any, target: Target, dose: Tensor) -> Tensor:
    """(slice,) the bounds of the weights that `prove` starts from, in the operator's own precision: nothing is
    certified. It takes a transpose, of twice the slices, for each of START_SHARPNESS."""
    return 1 - torch.exp(-_DualProblem(operator, target).start(dose)[1])


@doing("proving")
def _searched(
    operator: Any, target: Target, dose: Tensor, iterations: int | None, most: int
) -> "tuple[_DualProblem, Tensor, Tensor]":
    """The dual problem, its best point (x, y, z), and (slice,) the logarithm of the worst ratio there."""
    if operator.pattern_shape[2] != operator.dose_shape[2]:
        raise SolveError(
            f"the bound needs one pattern row per slice; got {operator.pattern_shape[2]} rows for "
            f"{operator.dose_shape[2]} slices. Give it the same chords with rows at the slices."
        )
    if not operator.slices_independent:
        raise SolveError("the bound gives each slice patterns of its own, and light ties these slices to each other.")
    dual = _DualProblem(operator, target)  # a solver asks of a problem no more than its limit and operator
    depth, _ = dual.start(dose)
    solver = SlicewiseLBFGS(first_change=1e-3)  # of logarithms, not of levels; each slice has a bound of its own
    state = solver.begin(depth, dual)
    ramp, last = iterations or min(RAMP, most), iterations or most
    sharpness = _sharpness(ramp)
    stage, best, before = -1, depth, math.inf
    lowest = torch.full((depth.shape[2],), math.inf, device=depth.device, dtype=depth.dtype)
    for number in range(last):
        now = min(number * len(sharpness) // ramp, len(sharpness) - 1)
        if now != stage:
            stage, state = now, solver.restage(state)
        at, worst = dual.evaluate(state["trial"], sharpness[stage])
        best = torch.where(worst < lowest, at.patterns, best)
        lowest = torch.minimum(worst, lowest)
        state = solver.advance(state, at, dual)  # pyright: ignore[reportArgumentType]
        step(number + 1, last)
        if iterations is None and number + 1 >= ramp and (number + 1 - ramp) % ROUND == 0:
            bound = 1 - math.exp(-float(lowest.amin()))
            if before - bound <= WON:
                break
            before = bound
    return dual, best, lowest


def _sharpness(steps: int) -> list[float]:
    """Of the soft minimum over rays, stage by stage: sharper and in more stages where there are more steps.

    Measured: after 800 steps on a tooth 512 voxels across 0.124 where 300 in 8 stages gives 0.128; with 100 steps a
    dark resin wants the latter.
    """
    sharpest, stages = (1000, 20) if steps >= RAMP else (300, 8)
    return [10 * (sharpest / 10) ** (number / (stages - 1)) for number in range(stages)]


@doing("checking the proof")
def certify(exact: Any, target: Target, weights: Tensor) -> Bound:
    """The bound that `weights` (x, y, z) certify, computed in float64 with the operator `exact`.

    Rounding: every term of A'p and A'q is 0 or more, so no digits cancel. With n terms each sum is right to
    n * 2^-53 of itself (Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed., section 4.2), and the
    geometry inside the operator to some 1e-15 of the light; for the 10^5 voxels that one ray may cross that is below
    1e-10. Ratios are lowered by ROUNDING = 1e-9 of themselves, which covers both.
    """
    if exact.dtype != torch.float64:
        raise SolveError(f"a certificate needs an operator in float64; got {exact.dtype}.")
    device = exact.device
    solid, liquid = target.solid.to(device), target.liquid.to(device)
    both = solid.any(0).any(0) & liquid.any(0).any(0)
    weights = weights.to(device=device, dtype=torch.float64)
    parts = torch.cat([weights * liquid, weights * solid], 2)
    parts = parts / by_slice(parts).clamp(min=1e-300)
    over_weights, under_weights = parts.chunk(2, 2)
    over, under = exact.of_slices(_twice(solid.shape[2])).transpose(parts).flatten(0, 1).chunk(2, 1)
    ratio = torch.where(under > 0, over / under.clamp(min=1e-300), math.inf).amin(0) * (1 - ROUNDING)
    ratio = torch.where(both, ratio, 0.0)
    return Bound(
        window=float(1 - ratio.amax()),
        by_slice=(1 - ratio).cpu(),
        weights=(over_weights + under_weights).cpu(),
    )


class _DualProblem:
    """The dual problem: weights as logarithms 0..MAX_LOG_RATIO per voxel, a soft maximum of ratios per slice.

    What the operator does to the surroundings and to the part is done at once, as slices one after the other: products
    of few slices cost kernels little less than those of twice as many.
    """

    limit = MAX_LOG_RATIO  # upper bound of the solver's variables

    def __init__(self, operator: Any, target: Target) -> None:
        self.operator, self.target = operator, target
        self.twice = operator.of_slices(_twice(operator.dose_shape[2]))
        self.masks = torch.cat([target.liquid, target.solid], 2)
        self.both = (target.solid.any(0).any(0) & target.liquid.any(0).any(0)).to(operator.dtype)

    def start(self, dose: Tensor) -> tuple[Tensor, Tensor]:
        """Initial guess: the weights of soft windows of several sharpnesses on a design's dose; the tightest are taken.
        And (slice,) the logarithm of their worst ratio.

        Each slice uses its own threshold and sharpness; a hundredth of the weight is spread evenly.
        """
        solid, liquid = self.target.solid, self.target.liquid
        min_inside = torch.where(solid, dose, math.inf).amin((0, 1))
        max_outside = torch.where(liquid, dose, -math.inf).amax((0, 1))
        scale = torch.where(self.both > 0, 2 / (min_inside + max_outside).clamp(min=1e-30), 1.0)
        excess = torch.where(solid, 1 - dose * scale, dose * scale - 1).to(self.operator.dtype)
        best, lowest = torch.zeros_like(excess), torch.full_like(excess[0, 0], math.inf)
        for sharpness in START_SHARPNESS:
            heavy = self.weights(sharpness * excess)
            mixed = torch.zeros_like(heavy)
            for mask in (solid, liquid):
                mixed = mixed + 0.99 * heavy * mask + 0.01 * mask / mask.sum((0, 1)).clamp(min=1)
            logs = torch.where(mixed > 0, mixed, 1).log()
            depth = (logs - logs.amax((0, 1)) + MAX_LOG_RATIO).clamp_(0, MAX_LOG_RATIO)
            highest = self.log_ratios(depth)[0].flatten(0, 1).amax(0)
            better = highest < lowest
            best, lowest = torch.where(better, depth, best), torch.where(better, highest, lowest)
        return best, lowest

    def log_ratios(self, depth: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """log((A'q)_j / (A'p)_j) of every ray j, -inf where the part is not lit; A'p, A'q; and the weights."""
        weights = self.weights(depth)
        over, under = self.twice.transpose(torch.cat([weights, weights], 2) * self.masks).chunk(2, 2)
        touched = (under > 0) & (self.both > 0)
        log_ratio = torch.where(touched, under.clamp(min=TINY).log() - over.clamp(min=TINY).log(), -math.inf)
        return log_ratio, over, under, weights

    def weights(self, depth: Tensor) -> Tensor:
        """(x, y, z) weights, each class summing to 1 in every slice where it has voxels."""
        total = torch.zeros_like(depth)
        for mask in (self.target.solid, self.target.liquid):
            logs = torch.where(mask, depth, -math.inf)
            total = total + torch.exp(logs - logs.amax((0, 1)).nan_to_num(neginf=0.0)) * mask / _sum(logs)
        return total

    def evaluate(self, depth: Tensor, sharpness: float) -> tuple[Evaluated, Tensor]:
        """(slice,) soft maximum of log((A'q)_j / (A'p)_j) with the gradient of their sum; and the hard maxima."""
        solid, liquid = self.target.solid, self.target.liquid
        log_ratio, over, under, weights = self.log_ratios(depth)
        rays = log_ratio.flatten(0, 1)
        soft = log_of_sum(sharpness * rays) / sharpness
        share = torch.where(log_ratio > -math.inf, torch.exp(sharpness * (log_ratio - soft)), 0.0)
        rays_each = torch.cat([share, share], 2) / torch.cat([over, under], 2).clamp(min=TINY)
        by_over, by_under = self.twice(rays_each).chunk(2, 2)
        by_weight = by_under * solid - by_over * liquid
        gradient = torch.zeros_like(depth)
        for mask in (solid, liquid):
            part = weights * mask
            gradient = gradient + part * (by_weight - by_slice(part * by_weight))
        value = torch.where(self.both > 0, soft, 0.0)
        return Evaluated(depth, weights, value, gradient), rays.amax(0)


def _twice(slices: int) -> Tensor:
    """The number of every slice, and once more: of the surroundings, then of the part."""
    return torch.arange(slices).repeat(2)


def _sum(logs: Tensor) -> Tensor:
    """(z,) sum of exp(logs - max) in each slice, 1 where there is nothing."""
    top = logs.amax((0, 1)).nan_to_num(neginf=0.0)
    return by_slice(torch.where(logs.isfinite(), torch.exp(logs - top), 0.0)).clamp(min=1e-30)
