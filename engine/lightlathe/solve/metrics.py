"""The few figures that are logged at every step, computed where the dose lies, without waiting for the device."""

import math
from dataclasses import dataclass, fields
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
        """A slice that stands for several counts as often."""
        solid, liquid = target.solid, target.liquid
        if serve(dose):
            from lightlathe.solve.gpu.metrics import tally

            *counts, least, most = tally(dose, solid, liquid)
        else:
            cured = dose >= 1
            counts = [voxels.sum((0, 1)) for voxels in (cured & solid, cured & liquid, solid, liquid)]
            least = torch.where(solid, dose, math.inf).amin((0, 1))
            most = torch.where(liquid, dose, -math.inf).amax((0, 1))
        if target.repeats is not None:
            counts = [voxels * target.repeats for voxels in counts]
        correct, over, part, rest = counts
        return Figures(correct, over, part, rest, least, most)

    def with_slices(self, index: Tensor, others: "Figures") -> "Figures":
        """These figures, with those of `others` in the slices `index`; writes in place."""
        for f in fields(self):
            getattr(self, f.name).index_copy_(0, index, getattr(others, f.name))
        return Figures(*(getattr(self, f.name) for f in fields(self)))

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
