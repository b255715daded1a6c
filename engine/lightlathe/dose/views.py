"""The parallel views that every dose kernel works on."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import ShapeError


@dataclass(frozen=True)
class Views:
    """Geometry of one attenuated parallel back-projection; all slices share it.

    A view is an array (angle, bin, slice). Bin b has its centre at s = (b - (bins-1)/2) * bin_mm.
    A voxel column (x, y) no further than radius_mm from the axis takes, from each view, the light interpolated
    linearly between the two bins beside its s (a dark bin lies beyond each end), times
    exp(-absorption_per_mm * (sqrt(radius_mm^2 - s^2) + t)), with s and t those of the voxel's centre.
    Columns further out take nothing.

    bin_mm >= voxel_mm always (dose/resample.py sees to it): a kernel may count on a tile of n voxels spanning at
    most n * sqrt(2) + 1 bins.
    """

    angle_rad: Tensor  # (angle,) float64, on the CPU
    bins: int
    bin_mm: float
    nx: int
    ny: int
    voxel_mm: float
    radius_mm: float
    absorption_per_mm: float  # base e, 1/mm
    precision: str = "single"  # "half": a kernel may round light and weights to 11 bits; sums are never rounded so

    def __post_init__(self) -> None:
        if self.bins < 1 or self.nx < 1 or self.ny < 1:
            raise ShapeError(f"views of {self.bins} bins on {self.nx} x {self.ny} voxels; expected 1 or more of each.")
        if self.bin_mm < self.voxel_mm * (1 - 1e-9):
            raise ShapeError(f"bins of {self.bin_mm} mm are finer than voxels of {self.voxel_mm} mm; resample first.")
        if self.precision not in ("half", "single"):
            raise ShapeError(f"precision is '{self.precision}'; expected 'half' or 'single'.")
        if not (self.absorption_per_mm >= 0 and math.isfinite(self.absorption_per_mm) and self.radius_mm > 0):
            raise ShapeError(
                f"absorption is {self.absorption_per_mm} 1/mm in a radius of {self.radius_mm} mm; "
                "expected an absorption of 0 or more and a radius above 0."
            )

    @property
    def angles(self) -> int:
        return len(self.angle_rad)

    def view_shape(self, slices: int) -> tuple[int, int, int]:
        return self.angles, self.bins, slices

    def dose_shape(self, slices: int) -> tuple[int, int, int]:
        return self.nx, self.ny, slices

    def x_mm(self) -> Tensor:
        return (torch.arange(self.nx, dtype=torch.float64) - (self.nx - 1) / 2) * self.voxel_mm

    def y_mm(self) -> Tensor:
        return (torch.arange(self.ny, dtype=torch.float64) - (self.ny - 1) / 2) * self.voxel_mm

    def inside(self) -> Tensor:
        """(x, y) bool: columns whose centre lies in the resin; the one rule that every kernel uses."""
        return (self.x_mm()[:, None].square() + self.y_mm()[None, :].square()) <= self.radius_mm**2 * (1 + 1e-12)
