"""How rows of light spread with depth: light of a lens at a finite distance."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import ShapeError


@dataclass(frozen=True)
class Magnification:
    """Where the light of a row runs along its chord: at h + (z - h) M, with M = at_foot + per_mm t.

    z is the row's height in the plane of the axis, as it would be without vial and bath, h that of the lens's pupil, t
    the depth along the chord, 0 where it comes nearest to the axis. Light per height falls as 1 / M.

    at_foot      (column,) float64
    per_mm       (column,) float64, 1/mm
    pupil_z_mm   h
    """

    at_foot: Tensor
    per_mm: Tensor
    pupil_z_mm: float

    def __post_init__(self) -> None:
        has_axes("per_mm", self.per_mm, ("column",), self.at_foot.shape)
        finite = bool(self.at_foot.isfinite().all()) and bool(self.per_mm.isfinite().all())
        if not (finite and math.isfinite(self.pupil_z_mm) and self.at_foot.ndim == 1):
            raise ShapeError(
                "a magnification has values that are not finite; expected one at_foot and per_mm a column."
            )

    def part(self, first: int, end: int) -> "Magnification":
        """That of the columns first to end."""
        return Magnification(self.at_foot[first:end], self.per_mm[first:end], self.pupil_z_mm)

    def range_within(self, offset_mm: Tensor, reach_mm: float) -> tuple[float, float]:
        """Minimum and maximum of M no further than `reach_mm` from the axis; of the foot of chords that pass it further
        out."""
        half = (reach_mm**2 - offset_mm.square()).clamp(min=0).sqrt()
        ends = torch.stack([self.at_foot - self.per_mm * half, self.at_foot + self.per_mm * half])
        return float(ends.amin()), float(ends.amax())

    def row_heights(self, z_mm: float, limits: tuple[float, float]) -> tuple[float, float]:
        """Minimum and maximum height in the plane of the axis of rows that light the height z, M within `limits`."""
        found = [self.pupil_z_mm + (z_mm - self.pupil_z_mm) / m for m in limits]
        return min(found), max(found)
