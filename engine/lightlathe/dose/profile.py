"""The light of a pixel across the light, as kernels read it that take no finer bins for it."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose.taps import Taps


@dataclass(frozen=True)
class Profile:
    """What a place takes of a bin by its distance from it: linear between knots, 0 beyond the outermost.

    weight   at the knots, `knots` of them a bin, symmetrical about the middle one; those beside the outermost are 0

    So places read the bins as if the light of each were put onto `knots` finer ones, with these weights, and those were
    read linearly: `fine_bins` is that map.
    """

    weight: tuple[float, ...]
    knots: int

    @property
    def support(self) -> float:
        """Bins from the middle to where no light is left."""
        return (len(self.weight) + 1) / 2 / self.knots

    def at(self, away: Tensor) -> Tensor:
        """The profile at distances in bins, float64."""
        values = torch.tensor([0.0, *self.weight, 0.0], dtype=torch.float64)
        place = (away * self.knots + (len(values) - 1) / 2).clamp(0, len(values) - 1)
        low = place.floor().clamp(max=len(values) - 2)
        return torch.lerp(values[low.long()], values[low.long() + 1], place - low)

    def fine_bins(self, bins: int) -> Taps:
        """Fine bins <- bins, with the same middle."""
        beside = len(self.weight) // 2
        steps, bin_ = torch.arange(len(self.weight)), torch.arange(bins)[:, None]
        fine = (bin_ * self.knots + steps).expand(bins, -1)
        weight = torch.tensor(self.weight, dtype=torch.float64).expand(bins, -1)
        count = (bins - 1) * self.knots + 1 + 2 * beside
        return Taps.of(fine.flatten(), bin_.expand_as(fine).flatten(), weight.flatten(), count, bins)
