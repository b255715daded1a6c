"""Inserts that absorb light otherwise than the resin, and which solids the slices of a vial have in common."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.errors import ShapeError
from lightlathe.quantities.grid import Grid
from lightlathe.quantities.shadows import Shadows


@dataclass(frozen=True, eq=False)
class Absorber:
    """A solid of one absorption that stands in the vial and dims the light that crosses it.

    sections            its cross-sections, slice by slice
    absorption_per_mm   base e: 0 lets all light through, what the resin has changes nothing

    Its refractive index is taken to be the resin's. Where two overlap, what each absorbs beyond the resin adds up.
    """

    sections: Shadows
    absorption_per_mm: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.absorption_per_mm) and self.absorption_per_mm >= 0):
            raise ShapeError(f"absorption_per_mm is {self.absorption_per_mm}; expected 0 or more, in 1/mm.")

    @staticmethod
    def of(covered: Tensor, grid: Grid, radius_mm: float, absorption_per_mm: float) -> "Absorber | None":
        """That of a solid by the covered fraction (x, y, z) of its voxels; None where none is half covered."""
        sections = Shadows.of(covered, grid, radius_mm)
        return None if sections is None else Absorber(sections, absorption_per_mm)

    def moved(self, x_mm: float, y_mm: float) -> "Absorber":
        """The same, elsewhere in the vial."""
        return replace(self, sections=self.sections.moved(x_mm, y_mm))

    def for_slices(self, index: Tensor, grid: Grid) -> "Absorber":
        """That of some slices of a grid, as `Shadows.for_slices`."""
        return replace(self, sections=self.sections.for_slices(index, grid))


def joint_classes(sections: Sequence[Shadows], grid: Grid) -> tuple[Tensor, Tensor]:
    """(slice,) int64: the class of each slice of a grid by what it has of all solids, -1 for nothing; and
    (class, solid) int64: each solid's own cross-section in a class, -1 for none."""
    found = torch.stack([each.classes(grid) for each in sections])
    members, which = found.unique(dim=1, return_inverse=True)
    empty = bool((members[:, 0] == -1).all())  # classes are sorted: that of nothing comes first
    return which - int(empty), members[:, int(empty) :].T.contiguous()
