"""Penalties on the patterns: what a design costs in light, peak level and roughness. One class each, all in PENALTIES.

A penalty is a frozen dataclass, called as `penalty(patterns)` with patterns (angle, column, row) in units of the even
light that gives the part a mean dose of 1; it returns a scalar tensor that is added to the loss. Patterns are those of
the columns and rows that can reach the part: means are over them, so a weight means the same for any projector.
"""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.families import Penalty
from lightlathe.support.sums import mean, power


@dataclass(frozen=True)
class LightUsed:
    """weight * mean level: total light, which heats and ages the resin. Linear in the patterns."""

    weight: float

    def __post_init__(self) -> None:
        _not_negative("light_used", weight=self.weight)

    def __call__(self, patterns: Tensor) -> Tensor:
        return self.weight * mean(patterns)


@dataclass(frozen=True)
class PeakLevel:
    """weight * (mean of level^exponent)^(1/exponent): near the highest level for a large exponent.

    A lower peak against the mean shortens the exposure (levels are shown relative to the highest) and spends the
    projector's bits better. The hard way to the same end is the limit on levels, which costs no weight to choose.
    """

    weight: float
    exponent: float = 8.0

    def __post_init__(self) -> None:
        _not_negative("peak_level", weight=self.weight)
        if self.exponent < 1:
            raise JobError(f"peak_level: exponent is {self.exponent}; expected 1 or more.")

    def __call__(self, patterns: Tensor) -> Tensor:
        top = patterns.detach().amax().clamp(min=torch.finfo(patterns.dtype).tiny)  # powers of large levels overflow
        relative = patterns / top
        level = mean(power(relative, self.exponent)).clamp(min=torch.finfo(patterns.dtype).tiny)
        return self.weight * top * level.pow(1 / self.exponent)


@dataclass(frozen=True)
class Roughness:
    """columns * mean squared step from column to column, rows * and angles * likewise (angles close the turn).

    Smooth columns and rows forgive blur of the optics; smooth angles forgive an axis that runs unevenly.
    """

    columns: float = 0.0
    rows: float = 0.0
    angles: float = 0.0

    def __post_init__(self) -> None:
        _not_negative("roughness", columns=self.columns, rows=self.rows, angles=self.angles)

    def __call__(self, patterns: Tensor) -> Tensor:
        total = self.angles * mean((patterns - patterns.roll(1, 0)).square())
        for axis, weight in ((1, self.columns), (2, self.rows)):
            if patterns.shape[axis] > 1:
                total = total + weight * mean(patterns.diff(dim=axis).square())
        return total


PENALTIES: dict[str, type[Penalty]] = {"light_used": LightUsed, "peak_level": PeakLevel, "roughness": Roughness}


def _not_negative(name: str, **values: float) -> None:
    for key, value in values.items():
        if not value >= 0:
            raise JobError(f"{name}: {key} is {value}; expected 0 or more.")
