"""The grid of the vial."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import ShapeError


@dataclass(frozen=True)
class Grid:
    """Voxels of the vial: voxel (i, j, k) has its CENTRE at (i - (nx-1)/2, ...) * voxel_mm.

    below, above   slices of a taller grid under and over these, where this is a slab of it: z = 0 is in the middle of
                   the whole
    """

    shape: tuple[int, int, int]
    voxel_mm: float
    below: int = 0
    above: int = 0

    def __post_init__(self) -> None:
        if len(self.shape) != 3 or any(int(n) != n or n < 1 for n in self.shape):
            raise ShapeError(f"grid shape is {self.shape}; expected three whole numbers of voxels, each 1 or more.")
        if not (math.isfinite(self.voxel_mm) and self.voxel_mm > 0):
            raise ShapeError(f"voxel_mm is {self.voxel_mm}; expected a length above 0 mm.")
        if self.below < 0 or self.above < 0:
            raise ShapeError(f"{self.below} slices lie below and {self.above} above the slab; expected 0 or more.")

    @property
    def whole(self) -> "Grid":
        """The grid that this is a slab of."""
        nx, ny, nz = self.shape
        return Grid((nx, ny, self.below + nz + self.above), self.voxel_mm)

    def slab(self, start: int, stop: int) -> "Grid":
        """Slices start..stop - 1 as a grid; their voxels are where they were."""
        nx, ny, nz = self.shape
        if not 0 <= start < stop <= nz:
            raise ShapeError(f"a slab from slice {start} to {stop} of {nz}; expected 0 <= start < stop <= {nz}.")
        return Grid((nx, ny, stop - start), self.voxel_mm, self.below + start, self.above + nz - stop)

    @property
    def voxels(self) -> int:
        return math.prod(self.shape)

    @property
    def extent_mm(self) -> tuple[float, float, float]:
        nx, ny, nz = self.shape
        return nx * self.voxel_mm, ny * self.voxel_mm, nz * self.voxel_mm

    def centres_mm(self, axis: int) -> Tensor:
        """(n,) float64: positions of the voxel centres along one axis, in the vial frame."""
        n, before = self.shape[axis], self.below if axis == 2 else 0
        middle = ((self.below + n + self.above if axis == 2 else n) - 1) / 2
        return (torch.arange(before, before + n, dtype=torch.float64) - middle) * self.voxel_mm

    def radius_mm(self) -> Tensor:
        """(x, y) float64: distance of each column of voxels from the turning axis."""
        x, y = self.centres_mm(0), self.centres_mm(1)
        return torch.sqrt(x[:, None].square() + y[None, :].square())

    def inside(self, radius_mm: float) -> Tensor:
        """(x, y) bool: voxel centres at most `radius_mm` from the axis (with a tolerance for rounding)."""
        return self.radius_mm() <= radius_mm * (1 + 1e-12)

    def coarser(self, times: float) -> "Grid":
        """The same origin in voxels `times` larger, as many as hold the box."""
        if self.below or self.above:
            raise ShapeError("a slab has no coarser grid of its own; expected a whole grid.")
        nx, ny, nz = (math.ceil(n / times - 1e-9) for n in self.shape)
        return Grid((nx, ny, nz), self.voxel_mm * times)

    def finer(self, times: int) -> "Grid":
        """The same box and origin in voxels `times` smaller."""
        nx, ny, nz = self.shape
        return Grid((nx * times, ny * times, nz * times), self.voxel_mm / times, self.below * times, self.above * times)
