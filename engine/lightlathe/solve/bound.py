"""A dual bound: a certified upper bound on the process window of any patterns.

For weights p on the voxels that must stay liquid and q on the part, each summing to 1, and any patterns g >= 0:

    max outside >= p . D = sum_j (A'p)_j g_j >= r sum_j (A'q)_j g_j = r q . D >= r min inside
    with r = min over rays j of (A'p)_j / (A'q)_j

so no patterns reach a ratio below r, or a relative window above 1 - r, whatever the limit of their levels. With optimal
weights the bound is tight (strong duality of linear programming). Where every slice has a row of patterns of its own,
weights on one slice bound that slice, and the worst slice bounds the whole print. Where light couples slices, weights
on all of them bound the whole at once, and every pixel of every image gives one of the inequalities.
"""

import dataclasses
import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import Target
from lightlathe.solve.as_one_slice import OneSlice, one_slice, target_of
from lightlathe.solve.dual import DualProblem, twice
from lightlathe.solve.lbfgs import BoundedLBFGS
from lightlathe.solve.slicewise import SlicewiseLBFGS
from lightlathe.support.sums import by_slice
from lightlathe.support.watching import doing, step

START_SHARPNESS = (10.0, 30.0, 100.0, 300.0, 1000.0)  # sharpnesses of the soft windows whose weights are tried first
JOINT_START = (3.0, 10.0, 30.0)  # of all slices at once
ROUNDING = 1e-9  # relative; see `certify`
RAMP, ROUND, MOST = 200, 100, 2000  # steps where none are said: through all sharpnesses, from look to look, in all
WON = 0.002  # of window: a round that lowers the bound by no more is the last, as of a design


@dataclass(frozen=True)
class Bound:
    """Certified upper bounds on the relative window.

    window           of the whole print, with light of any strength
    by_slice         (z,) float64: the window of each slice alone; 1 where a slice has no voxel of one class. (1,), that
                     of the whole, where light couples slices
    weights          (x, y, z) float64: the certificate; the weights of each class sum to 1 in every slice, or in all
    """

    window: float
    by_slice: Tensor
    weights: Tensor

    @property
    def worst_slice(self) -> int:
        return int(self.by_slice.argmin())

    def heaviest(self, mask: Tensor) -> tuple[int, int, int]:
        """The voxel of `mask` (x, y, z) with the largest weight, in the worst slice where each has a bound: the window
        is limited there.
        """
        weights = torch.where(mask.to(self.weights.device), self.weights, -1.0)
        first, (_, ny, nz) = 0, weights.shape
        if len(self.by_slice) == nz:
            first, nz = self.worst_slice, 1
            weights = weights[:, :, first : first + 1]
        at = int(weights.flatten().argmax())
        return at // (ny * nz), at // nz % ny, first + at % nz


def prove(
    operator: LinearMap,
    target: Target,
    dose: Tensor,
    *,
    exact: LinearMap,
    iterations: int | None = None,
    most: int = MOST,
    last: LinearMap | None = None,
) -> Bound:
    """The tightest bound that is found in a number of steps on the weights, certified with the operator `exact`.

    operator     normalised. Where it gives each slice a row of patterns of its own, slices are bounded one by one, else
                 all of them at once
    dose         (x, y, z) in units of the gel dose, of a design: its worst voxels are where the weights start
    exact        the same operator in float64, normalised alike, on any device
    iterations   steps; left out: until ROUND of them lower the bound by no more than WON, `most` at most
    last         what the last stage of the search goes by: as close to `exact` as its precision allows, where
                 `operator` is not, since weights that fit only some of the rays certify less

    One iteration is two products with the operator and two with its transpose: of the part, of its surroundings.
    """
    dual, depth, _ = _searched(operator, target, dose, iterations, most, last)
    return certify(exact, target, dual.weights(depth).reshape(target.solid.shape))


def estimate(operator: LinearMap, target: Target, dose: Tensor, *, iterations: int) -> Tensor:
    """(slice,) the bounds that `prove` finds, in the operator's own precision: nothing is certified."""
    return 1 - torch.exp(-_searched(operator, target, dose, iterations, iterations)[2])


def first_bounds(operator: LinearMap, target: Target, dose: Tensor) -> Tensor:
    """(slice,) the bounds of the weights that `prove` starts from, in the operator's own precision: nothing is
    certified. It takes a transpose, of twice the slices, for each of START_SHARPNESS."""
    return 1 - torch.exp(-DualProblem(operator, target).start(dose, START_SHARPNESS)[1])


def _apart(operator: LinearMap) -> bool:
    """Whether each slice has a row of patterns of its own, in order."""
    return operator.slices_independent and operator.pattern_shape[2] == operator.dose_shape[2]


@doing("proving")
def _searched(
    operator: LinearMap,
    target: Target,
    dose: Tensor,
    iterations: int | None,
    most: int,
    last: LinearMap | None = None,
) -> tuple[DualProblem, Tensor, Tensor]:
    """The dual problem, its best point (x, y, z), and (slice,) the logarithm of the worst ratio there.

    last   as `prove` takes it
    """
    joint = not _apart(operator)
    if joint:
        operator, target, dose = OneSlice(operator), target_of(target), one_slice(dose)
        last = None if last is None else OneSlice(last)
    dual = DualProblem(operator, target)  # a solver asks of a problem no more than its limit and operator
    depth, lowest = dual.start(dose, JOINT_START if joint else START_SHARPNESS)
    solver = (BoundedLBFGS if joint else SlicewiseLBFGS)(first_change=1e-2)
    state = solver.begin(depth, dual)  # pyright: ignore[reportArgumentType]
    ramp, steps = iterations or min(RAMP, most), iterations or most
    sharpness = _sharpness(ramp)
    stage, best, before = -1, depth, math.inf
    for number in range(steps):
        now = min(number * len(sharpness) // ramp, len(sharpness) - 1)
        if now != stage:
            stage, state = now, solver.restage(state)
            if last is not None and stage + 1 == len(sharpness):
                dual, lowest = DualProblem(last, target), torch.full_like(lowest, math.inf)
        at, worst = dual.evaluate(state["trial"], sharpness[stage])
        best = torch.where(worst < lowest, at.patterns, best)
        lowest = torch.minimum(worst, lowest)
        at = dataclasses.replace(at, value=at.value.sum()) if joint else at  # one value, not one of each slice
        state = solver.advance(state, at, dual)  # pyright: ignore[reportArgumentType]
        step(number + 1, steps)
        if iterations is None and number + 1 >= ramp and (number + 1 - ramp) % ROUND == 0:
            bound = 1 - math.exp(-float(lowest.amin()))
            if before - bound <= WON:
                break
            before = bound
    return dual, best, lowest


def steps_for(products: float, cost: float, last_cost: float) -> int:
    """How many steps `prove` can take, MOST at most, for so many of cost 1, where one of the last stage costs
    `last_cost` and one before it `cost`."""
    short, ramp = (cost + (last_cost - cost) / len(_sharpness(steps)) for steps in (RAMP - 1, RAMP))
    if products < RAMP * short:
        return round(products / short)
    return min(MOST, RAMP + round((products - RAMP * ramp) / last_cost))


def _sharpness(steps: int) -> list[float]:
    """Of the soft minimum over rays, stage by stage: sharper and in more stages where there are more steps.

    Measured: after 800 steps on a tooth 512 voxels across 0.124 where 300 in 8 stages gives 0.128; with 100 steps a
    dark resin wants the latter.
    """
    sharpest, stages = (1000, 20) if steps >= RAMP else (300, 8)
    return [10 * (sharpest / 10) ** (number / (stages - 1)) for number in range(stages)]


@doing("checking the proof")
def certify(exact: LinearMap, target: Target, weights: Tensor) -> Bound:
    """The bound that `weights` (x, y, z) certify, computed in float64 with the operator `exact`.

    Rounding: every term of A'p and A'q is 0 or more, so no digits cancel. With n terms each sum is right to
    n * 2^-53 of itself (Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed., section 4.2), and the
    geometry inside the operator to some 1e-15 of the light; for the 10^5 voxels that one ray may cross that is below
    1e-10. Ratios are lowered by ROUNDING = 1e-9 of themselves, which covers both.
    """
    if exact.dtype != torch.float64:
        raise SolveError(f"a certificate needs an operator in float64; got {exact.dtype}.")
    if not _apart(exact):
        found = certify(OneSlice(exact), target_of(target), one_slice(weights))
        return dataclasses.replace(found, weights=found.weights.reshape(target.solid.shape))
    device = exact.device
    solid, liquid = target.solid.to(device), target.liquid.to(device)
    both = solid.any(0).any(0) & liquid.any(0).any(0)
    weights = weights.to(device=device, dtype=torch.float64)
    parts = torch.cat([weights * liquid, weights * solid], 2)
    parts = parts / by_slice(parts).clamp(min=1e-300)
    over_weights, under_weights = parts.chunk(2, 2)
    over, under = exact.of_slices(twice(solid.shape[2])).transpose(parts).flatten(0, 1).chunk(2, 1)
    if not bool((over >= 0).all() & (under >= 0).all()):
        raise SolveError(
            "the transpose takes weights of 0 or more below 0, or to what is no number; expected an operator whose "
            "light adds dose everywhere. There is no bound without."
        )
    ratio = torch.where(under > 0, over / under.clamp(min=1e-300), math.inf).amin(0) * (1 - ROUNDING)
    ratio = torch.where(both, ratio, 0.0)
    return Bound(
        window=float(1 - ratio.amax()),
        by_slice=(1 - ratio).cpu(),
        weights=(over_weights + under_weights).cpu(),
    )
