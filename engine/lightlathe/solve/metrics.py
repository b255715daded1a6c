"""The few figures that are logged at every step, computed where the dose lies, without waiting for the device."""

import math
from dataclasses import dataclass
from functools import cached_property

import torch
from torch import Tensor

from lightlathe.gpu.fused import serve
from lightlathe.quantities import Target

NAMES = ("iou", "under_cure_fraction", "over_cure_fraction", "window_relative")


@dataclass(frozen=True)
class Figures:
    """Counts of judged voxels against the gel dose (1), as in the print, and extremes of the dose: (slice,) each.

    correct, over   voxels of the part that turn solid; others that do
    part, rest      voxels that must turn solid; others that are judged
    least, most     least dose in the part, inf without one; most outside it, -inf without an outside
    """

    correct: Tensor
    over: Tensor
    part: Tensor
    rest: Tensor
    least: Tensor
    most: Tensor

    @staticmethod
    def of(dose: Tensor, target: Target) -> "Figures":
        solid, liquid = target.solid, target.liquid
        if serve(dose):
            from lightlathe.solve.gpu.metrics import tally

            return Figures(*tally(dose, solid, liquid))
        cured = dose >= 1
        return Figures(
            correct=(cured & solid).sum((0, 1)),
            over=(cured & liquid).sum((0, 1)),
            part=solid.sum((0, 1)),
            rest=liquid.sum((0, 1)),
            least=torch.where(solid, dose, math.inf).amin((0, 1)),
            most=torch.where(liquid, dose, -math.inf).amax((0, 1)),
        )

    @cached_property
    def iou(self) -> Tensor:
        return self.correct.sum() / (self.part.sum() + self.over.sum())

    @cached_property
    def under_cure_fraction(self) -> Tensor:
        return (self.part.sum() - self.correct.sum()) / self.part.sum()

    @cached_property
    def over_cure_fraction(self) -> Tensor:
        return self.over.sum() / self.rest.sum()

    @cached_property
    def window_relative(self) -> Tensor:
        least, most = self.least.amin(), self.most.amax()
        return torch.where(least > 0, 1 - most / least, math.nan)

    @cached_property
    def wrong(self) -> Tensor:
        return self.part.sum() - self.correct.sum() + self.over.sum()

    @cached_property
    def windows(self) -> Tensor:
        """(slice,) relative window of each slice alone; -inf where its part lies dark, inf where it has no window."""
        both = (self.part > 0) & (self.rest > 0)
        window = torch.where(self.least > 0, 1 - self.most / self.least, -math.inf)
        return torch.where(both, window, math.inf)
