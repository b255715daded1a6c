"""Shadows: the opaque cross-sections of inserts, slice by slice, at which light ends."""

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import ShapeError
from lightlathe.quantities.grid import Grid
from lightlathe.quantities.volumes import HALF

LEVELS = 255  # steps in which a result file keeps covered fractions: shadows are the same from the file
EDGE = HALF * LEVELS  # the level at the edge of a cross-section; no whole number, so no voxel's centre lies on it


@dataclass(frozen=True, eq=False)
class Shadows:
    """Opaque cross-sections, and which of them each slice has.

    covered         (x, y, class) uint8: covered fraction of each voxel in steps of 1 / LEVELS, one class for each
                    distinct cross-section; around these voxels nothing is covered
    voxel_mm        side of a voxel
    first_mm        (x, y) of the centre of voxel (0, 0), in the vial frame
    class_of_slice  (slice,) int64: the class of each slice, -1 where nothing opaque stands; z = 0 in their middle
    slice_mm        their pitch

    A cross-section ends where the covered fraction, linear between the centres of voxels, is a half (EDGE). At the
    centre of a voxel that is the rule by which it belongs to the insert.
    """

    covered: Tensor
    voxel_mm: float
    first_mm: tuple[float, float]
    class_of_slice: Tensor
    slice_mm: float

    def __post_init__(self) -> None:
        if self.covered.ndim != 3 or self.covered.dtype != torch.uint8:
            raise ShapeError(
                f"covered is {self.covered.dtype} of shape {tuple(self.covered.shape)}; expected uint8 (x, y, class)."
            )
        has_axes("class_of_slice", self.class_of_slice, ("slice",), self.class_of_slice.shape[:1] or (1,))
        known = (self.class_of_slice >= -1) & (self.class_of_slice < self.covered.shape[2])
        if len(self.class_of_slice) < 1 or not bool(known.all()):
            raise ShapeError(
                f"class_of_slice holds {self.class_of_slice.unique().tolist()}; expected one slice or more, each with "
                f"-1 or one of {self.covered.shape[2]} classes."
            )
        for name, length in (("voxel_mm", self.voxel_mm), ("slice_mm", self.slice_mm)):
            if not (math.isfinite(length) and length > 0):
                raise ShapeError(f"{name} is {length}; expected a length above 0 mm.")

    @staticmethod
    def of(covered: Tensor, grid: Grid, radius_mm: float) -> "Shadows | None":
        """The shadows of a solid by the covered fraction (x, y, z) of its voxels; None where none is half covered.

        Each slice is that of its whole height. What stands outside `radius_mm`, the resin, is left out.
        """
        has_axes("covered", covered, ("x", "y", "z"), grid.shape)
        levels = (covered.cpu().double() * LEVELS).round_().to(torch.uint8)
        levels[~grid.inside(radius_mm + grid.voxel_mm)] = 0
        stands = (levels > EDGE).flatten(0, 1).any(0)
        if not bool(stands.any()):
            return None
        levels = levels[:, :, stands]
        (x, x_end), (y, y_end) = (_between(levels, axis) for axis in (0, 1))
        cut = levels[x:x_end, y:y_end]
        classes, which = cut.flatten(0, 1).unique(dim=1, return_inverse=True)
        class_of_slice = torch.full((grid.shape[2],), -1)
        class_of_slice[stands] = which
        first = float(grid.centres_mm(0)[x]), float(grid.centres_mm(1)[y])
        shape = cut.shape[0], cut.shape[1]
        return Shadows(classes.unflatten(0, shape).contiguous(), grid.voxel_mm, first, class_of_slice, grid.voxel_mm)

    def classes(self, grid: Grid) -> Tensor:
        """(slice,) int64: the class of each slice of a grid, by the height of its centre; -1 where nothing stands.

        Of two slices as near, the lower; beyond both ends, the outermost slice's.
        """
        z, count = grid.centres_mm(2), len(self.class_of_slice)
        nearest = (z / self.slice_mm + (count - 1) / 2 - 0.5 - 1e-6).ceil().long().clamp(0, count - 1)
        return self.class_of_slice[nearest]

    def moved(self, x_mm: float, y_mm: float) -> "Shadows":
        """The same, with what is opaque elsewhere in the vial."""
        return replace(self, first_mm=(self.first_mm[0] + x_mm, self.first_mm[1] + y_mm))

    def for_slices(self, index: Tensor, grid: Grid) -> "Shadows":
        """Those of some slices of a grid, `index` (slice,) int64, as slices of their own."""
        taken = self.classes(grid)[index.cpu()]
        return Shadows(self.covered, self.voxel_mm, self.first_mm, taken, grid.voxel_mm)


def _between(levels: Tensor, axis: int) -> tuple[int, int]:
    """The first voxel along an axis that is covered at all, and the one after the last."""
    touched = (levels > 0).transpose(0, axis).flatten(1).any(1).nonzero()
    return int(touched[0]), int(touched[-1]) + 1
