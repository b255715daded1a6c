"""Analytic parts: each a frozen dataclass of lengths that knows its own covered fractions. A family: see SHAPES.

All stand upright (their axis along z) with their middle at `at_mm`.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from torch import Tensor

from lightlathe.errors import PartError
from lightlathe.families import Shape
from lightlathe.part.lattice import Lattice
from lightlathe.part.upright import Upright, share_between
from lightlathe.quantities import Grid

SECTIONS = 128  # of a circle in facets: they lie within 1 - cos(pi / 128) = 3e-4 of the radius


@dataclass(frozen=True)
class Cylinder(Upright):
    """An upright cylinder."""

    radius_mm: float
    height_mm: float
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def half_mm(self) -> tuple[float, float, float]:
        return self.radius_mm, self.radius_mm, self.height_mm / 2

    @property
    def volume_mm3(self) -> float:
        return math.pi * self.radius_mm**2 * self.height_mm

    @property
    def thinnest_mm(self) -> float:
        return min(2 * self.radius_mm, self.height_mm)

    def _mesh(self, creation: Any) -> Any:
        return creation.cylinder(radius=self.radius_mm, height=self.height_mm, sections=SECTIONS)

    def coverage(self, grid: Grid, device: torch.device | str = "cpu") -> Tensor:
        """(x, y, z) float32 covered fraction, exact."""
        disc = _disc(grid, self.at_mm, self.radius_mm, device)
        return (disc[:, :, None] * self._bars(grid, device)).to(torch.float32)


@dataclass(frozen=True)
class Tube(Upright):
    """An upright tube, open at both ends."""

    outer_radius_mm: float
    inner_radius_mm: float
    height_mm: float
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.inner_radius_mm >= self.outer_radius_mm:
            raise PartError(
                f"tube: inner_radius_mm is {self.inner_radius_mm} and outer_radius_mm {self.outer_radius_mm}; "
                "expected the outer one to be the larger."
            )

    @property
    def half_mm(self) -> tuple[float, float, float]:
        return self.outer_radius_mm, self.outer_radius_mm, self.height_mm / 2

    @property
    def volume_mm3(self) -> float:
        return math.pi * (self.outer_radius_mm**2 - self.inner_radius_mm**2) * self.height_mm

    @property
    def thinnest_mm(self) -> float:
        return min(self.outer_radius_mm - self.inner_radius_mm, self.height_mm)

    def _mesh(self, creation: Any) -> Any:
        return creation.annulus(
            r_min=self.inner_radius_mm, r_max=self.outer_radius_mm, height=self.height_mm, sections=SECTIONS
        )

    def coverage(self, grid: Grid, device: torch.device | str = "cpu") -> Tensor:
        """(x, y, z) float32 covered fraction, exact."""
        outer = _disc(grid, self.at_mm, self.outer_radius_mm, device)
        ring = outer - _disc(grid, self.at_mm, self.inner_radius_mm, device)
        return (ring[:, :, None] * self._bars(grid, device)).to(torch.float32)


@dataclass(frozen=True)
class Box(Upright):
    """A box with its sides along x, y and z."""

    x_mm: float
    y_mm: float
    z_mm: float
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def half_mm(self) -> tuple[float, float, float]:
        return self.x_mm / 2, self.y_mm / 2, self.z_mm / 2

    @property
    def reach_mm(self) -> float:
        return math.hypot(abs(self.at_mm[0]) + self.x_mm / 2, abs(self.at_mm[1]) + self.y_mm / 2)

    @property
    def volume_mm3(self) -> float:
        return self.x_mm * self.y_mm * self.z_mm

    @property
    def thinnest_mm(self) -> float:
        return min(self.x_mm, self.y_mm, self.z_mm)

    def _mesh(self, creation: Any) -> Any:
        return creation.box(extents=(self.x_mm, self.y_mm, self.z_mm))

    def coverage(self, grid: Grid, device: torch.device | str = "cpu") -> Tensor:
        """(x, y, z) float32 covered fraction, exact."""
        low, high = self.bounds_mm
        x, y = (share_between(grid, axis, low[axis], high[axis], device) for axis in (0, 1))
        return (x[:, None, None] * y[:, None] * self._bars(grid, device)).to(torch.float32)


@dataclass(frozen=True)
class Sphere(Upright):
    """A ball."""

    radius_mm: float
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def half_mm(self) -> tuple[float, float, float]:
        return self.radius_mm, self.radius_mm, self.radius_mm

    @property
    def volume_mm3(self) -> float:
        return 4 / 3 * math.pi * self.radius_mm**3

    @property
    def thinnest_mm(self) -> float:
        return 2 * self.radius_mm

    def _mesh(self, creation: Any) -> Any:
        return creation.uv_sphere(radius=self.radius_mm, count=(SECTIONS // 2, SECTIONS))

    def coverage(self, grid: Grid, device: torch.device | str = "cpu") -> Tensor:
        """(x, y, z) float32 covered fraction: exact discs at eight Gauss-Legendre heights a voxel, good to 1e-3 of a
        voxel where the surface passes and exact elsewhere."""
        heights, weights = np.polynomial.legendre.leggauss(8)
        z = grid.centres_mm(2).numpy() - self.at_mm[2]
        total = torch.zeros(grid.shape, dtype=torch.float64, device=device)
        far = math.hypot(*(abs(at) + extent / 2 for at, extent in zip(self.at_mm[:2], grid.extent_mm[:2], strict=True)))
        for k, middle in enumerate(z):
            for offset, weight in zip(heights, weights, strict=True):
                radius = self.radius_mm**2 - (middle + offset * grid.voxel_mm / 2) ** 2
                if radius >= far**2:
                    total[:, :, k] += weight / 2  # no corner of the grid lies outside
                elif radius > 0:
                    total[:, :, k] += weight / 2 * _disc(grid, self.at_mm, math.sqrt(radius), device)
        return total.clamp_(0, 1).to(torch.float32)


SHAPES: dict[str, type[Shape]] = {"cylinder": Cylinder, "tube": Tube, "box": Box, "sphere": Sphere, "lattice": Lattice}


def _disc(grid: Grid, at_mm: tuple[float, float, float], radius: float, device: torch.device | str) -> Tensor:
    """(x, y) float64 share of each column of voxels within a disc, exact.

    The area of the disc left of x and below y, differenced over the corners of each column.
    """
    nx, ny, _ = grid.shape
    edges = [(torch.arange(n + 1, dtype=torch.float64) - n / 2) * grid.voxel_mm for n in (nx, ny)]
    x = ((edges[0] - at_mm[0]) / radius).clamp(-1, 1).to(device)[:, None]
    y = ((edges[1] - at_mm[1]) / radius).clamp(-1, 1).to(device)[None, :]
    b = torch.sqrt(1 - y.square())
    middle = torch.minimum(torch.maximum(x, -b), b)
    below = y * (middle + b) + _half_area(middle) + _half_area(b)
    sides = 2 * (_half_area(torch.minimum(x, -b)) + math.pi / 4 + _half_area(torch.maximum(x, b)) - _half_area(b))
    area = below + torch.where(y >= 0, sides, 0.0)
    share = area.diff(dim=0).diff(dim=1) * (radius / grid.voxel_mm) ** 2
    return share.clamp(0, 1)


def _half_area(x: Tensor) -> Tensor:
    """Integral of sqrt(1 - u^2) from 0 to x."""
    return (x * torch.sqrt((1 - x.square()).clamp(min=0)) + torch.asin(x)) / 2
