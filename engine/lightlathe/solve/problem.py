"""What a design has to solve: an operator, a loss on its dose, penalties on the patterns, the limit of the light."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import JobError, SolveError
from lightlathe.families import Loss, Penalty
from lightlathe.families.linear_map import LinearMap, doses
from lightlathe.quantities import Target
from lightlathe.support.sums import exact_total

Map = TypeVar("Map", bound=LinearMap)


@dataclass(frozen=True)
class Problem:
    """Find patterns g with 0 <= g <= limit that make loss(operator(g), target) + sum of penalties(g) small.

    operator    patterns -> dose; see `normalised`
    loss        loss(dose, target) -> scalar tensor; dose in units of the gel dose
    target      which voxels must turn solid and which must stay liquid, on the operator's device; that of a problem of
                which only slabs are solved (`slab`) may lie in main memory
    limit       highest pattern level, in units of the even light that gives the part a mean dose of 1
    penalties   functions of the patterns -> scalar tensor
    response    dose -> what the loss and the figures see, where that is not the dose itself: differentiable, voxel by
                voxel, growing with the dose
    """

    operator: LinearMap
    loss: Loss
    target: Target
    limit: float = 10.0
    penalties: tuple[Penalty, ...] = ()
    response: Callable[[Tensor], Tensor] | None = None

    def __post_init__(self) -> None:
        has_axes("target", self.target.solid, ("x", "y", "z"), self.operator.dose_shape)
        if not self.limit > 0:
            raise JobError(
                f"limit is {self.limit}; expected a level above 0 (10 times the even light is a good start)."
            )

    @cached_property
    def _operator(self) -> LinearMap:
        """The operator, told the limit of the light."""
        return self.operator.within(self.limit)

    def seen(self, dose: Tensor) -> Tensor:
        """What the loss sees of a dose."""
        return dose if self.response is None else self.response(dose)

    @property
    def slices_independent(self) -> bool:
        """True where each slice has patterns of its own and nothing else ties it to another."""
        return not self.penalties and self.operator.slices_independent

    def of_slices(self, index: Tensor) -> "Problem":
        """The problem of some slices alone, `index` (slice,) int64; where slices are independent."""
        return replace(self, operator=self.operator.of_slices(index), target=self.target.of_slices(index))

    def slab(self, index: Tensor) -> "Problem":
        """As `of_slices`, ready to be solved: its target lies on the operator's device, wherever that of all does."""
        operator = self.operator.of_slices(index)
        return replace(self, operator=operator, target=self.target.of_slices(index, operator.device))

    def staged_over(self, iterations: int) -> "Problem":
        """The same, with a loss that knows over how many iterations it goes through its stages, if it asks."""
        over = getattr(self.loss, "over", None)
        return self if over is None else replace(self, loss=over(iterations))

    def loss_at(self, share: float) -> Loss:
        """The loss in force when `share` of the iterations are done: a staged loss changes, others do not."""
        stage = getattr(self.loss, "stage", None)
        return self.loss if stage is None else stage(share)

    def evaluate(self, patterns: Tensor, loss: Loss) -> "Evaluated":
        """Dose, value and gradient at `patterns`: one product with the operator, one with its transpose.

        Patterns brighter than the limit may have an infinite dose: the operator is told that there are none.
        """
        operator = self._operator
        dose = operator(patterns).detach()
        value, gradient = operator.gradient_of(self._through_response(loss), dose, self.target)
        if self.penalties:
            leaf = patterns.detach().requires_grad_()
            extra = torch.stack([penalty(leaf) for penalty in self.penalties]).sum()
            value = value + extra.detach()
            gradient = gradient + torch.autograd.grad(extra, leaf)[0]
        return Evaluated(patterns, dose, value, gradient)

    def _through_response(self, loss: Loss) -> Loss:
        if self.response is None:
            return loss
        return lambda dose, target: loss(self.seen(dose), target)


@dataclass(frozen=True)
class Evaluated:
    """One point that a solver asked for: (angle, column, row) patterns and gradient, (x, y, z) dose, scalar value,
    or (slice,) values where slices are designed on their own.

    patterns, gradient   the solver that is told of them may keep them and, on a card, write over them
    """

    patterns: Tensor
    dose: Tensor
    value: Tensor
    gradient: Tensor


def normalised(operator: Map, target: Target, slices: int | None = None) -> Map:
    """The operator in units in which patterns of 1 everywhere give the part a mean dose of 1 (the gel dose).

    slices   looked at in one go; None: all. Any number of them gives the same; the target may lie on another device
    """
    even = torch.ones((), device=operator.device, dtype=operator.dtype).expand(operator.pattern_shape)
    solid = target.solid
    if slices is None:
        total, voxels = float(exact_total(operator(even.contiguous()) * solid)), int(solid.sum())
    else:
        each, voxels = [], 0
        for taken, dose in doses(operator, even, slices):
            here = solid[:, :, taken].to(dose.device)
            each.append((dose * here).sum((0, 1), dtype=torch.float64).cpu())
            voxels += int(here.sum())
        total = math.fsum(torch.cat(each).tolist())
    mean = total / voxels
    if not mean > 0:
        raise SolveError(
            f"even light gives the part a mean dose of {mean}; expected some light in the part.\n"
            "  Is the part empty or outside the vial, or does the resin swallow the light before it arrives?"
        )
    return operator.scaled(operator.gain / mean)
