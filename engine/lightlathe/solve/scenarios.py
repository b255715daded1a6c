"""Several operators as one, for designs that must print under all of them: absorption, dose scale, axis offset."""

import functools
from collections.abc import Sequence

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import Target


class Scenarios(LinearMap):
    """The doses of one set of patterns under each scenario, one block of voxels after the other along x.

    members   (operator, scale): an operator in the units of the plain design, and the factor on its dose

    With `repeated(target, count)` a loss sees every voxel once per scenario. A loss that looks at the worst voxel
    (soft_window, worst_share) then designs for the worst case, at one exposure for all; a mean designs for the mean.
    Operators that are one object are computed once, so scales alone cost nothing. Memory: a volume per member.
    """

    def __init__(self, members: Sequence[tuple[LinearMap, float]]) -> None:
        if not members:
            raise SolveError("a robust design needs one scenario or more; got none.")
        first = members[0][0]
        for operator, scale in members:
            if operator.pattern_shape != first.pattern_shape or operator.dose_shape != first.dose_shape:
                raise SolveError(
                    f"scenarios have patterns {operator.pattern_shape} and {first.pattern_shape}, doses "
                    f"{operator.dose_shape} and {first.dose_shape}; expected the same for all."
                )
            if not scale > 0:
                raise SolveError(f"a scenario scales the dose by {scale}; expected a factor above 0.")
        self.members = tuple(members)
        self.device, self.dtype, self.gain = first.device, first.dtype, first.gain

    @property
    def pattern_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        return self.members[0][0].pattern_shape

    @property
    def dose_shape(self) -> tuple[int, int, int]:  # pyright: ignore[reportIncompatibleVariableOverride]
        nx, ny, nz = self.members[0][0].dose_shape
        return len(self.members) * nx, ny, nz

    def scaled(self, gain: float) -> "Scenarios":
        """All members, scaled by what takes the first to this gain."""
        once = {id(operator): operator.scaled(operator.gain * gain / self.gain) for operator, _ in self.members}
        return Scenarios([(once[id(operator)], scale) for operator, scale in self.members])

    @property
    def slices_independent(self) -> bool:
        return all(operator.slices_independent for operator, _ in self.members)

    @property
    def row_of_slice(self) -> Tensor | None:
        rows = [operator.row_of_slice for operator, _ in self.members]
        same = all(one is not None and rows[0] is not None and torch.equal(one, rows[0]) for one in rows)
        return rows[0] if same else None

    @property
    def light_of_slice(self) -> Tensor | None:
        found = [light for operator, _ in self.members if (light := operator.light_of_slice) is not None]
        return torch.cat(found) if found else None

    @property
    def class_of_slice(self) -> Tensor | None:
        found = [operator.class_of_slice for operator, _ in self.members]
        known = [classes for classes in found if classes is not None]
        return torch.stack(known).unique(dim=1, return_inverse=True)[1] if known else None

    def of_slices(self, index: Tensor) -> "Scenarios":
        once = {id(operator): operator.of_slices(index) for operator, _ in self.members}
        return Scenarios([(once[id(operator)], scale) for operator, scale in self.members])

    def __call__(self, patterns: Tensor) -> Tensor:
        made: dict[int, Tensor] = {}
        for operator, _ in self.members:
            if id(operator) not in made:
                made[id(operator)] = operator(patterns)
        return torch.cat([made[id(operator)] * scale for operator, scale in self.members])

    def transpose(self, dose: Tensor) -> Tensor:
        gathered: dict[int, tuple[LinearMap, Tensor]] = {}
        for (operator, scale), block in zip(self.members, dose.chunk(len(self.members)), strict=True):
            before = gathered.get(id(operator))
            gathered[id(operator)] = (operator, block * scale if before is None else before[1] + block * scale)
        parts = [operator.transpose(volume) for operator, volume in gathered.values()]
        return functools.reduce(torch.add, parts)


def repeated(target: Target, count: int) -> Target:
    """The target of each of `count` scenarios, one after the other along x."""

    def again(volume: Tensor | None) -> Tensor | None:
        return None if volume is None else volume.repeat(count, 1, 1)

    return Target(
        target.solid.repeat(count, 1, 1), target.liquid.repeat(count, 1, 1), again(target.weight), again(target.dose),
        target.repeats,
    )  # fmt: skip
