"""What the analytic shapes share: they stand upright, with their middle in a place."""

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, Self

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from lightlathe.errors import PartError
from lightlathe.quantities import Grid


class Upright:
    """What the shapes share: place, bounds and checks. Members give half_mm, reach_mm, volume_mm3, thinnest_mm."""

    at_mm: tuple[float, float, float]

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if name != "at_mm" and not (math.isfinite(value) and value > 0):
                raise PartError(f"{type(self).__name__.lower()}: {name} is {value}; expected a length above 0 mm.")
        if len(self.at_mm) != 3 or not all(math.isfinite(v) for v in self.at_mm):
            raise PartError(f"at_mm is {list(self.at_mm)}; expected three finite numbers, for x, y and z.")

    def moved(self, scale: float, centre: bool, shift_mm: Sequence[float]) -> Self:
        """The same shape scaled, its middle on the axis if `centre`, then shifted."""
        lengths = {f.name: getattr(self, f.name) * scale for f in fields(self) if f.name != "at_mm"}  # type: ignore
        start = (0.0, 0.0, 0.0) if centre else tuple(scale * v for v in self.at_mm)
        at_mm = tuple(a + b for a, b in zip(start, shift_mm, strict=True))
        return replace(self, at_mm=at_mm, **lengths)  # type: ignore

    @property
    def half_mm(self) -> tuple[float, float, float]:
        """Half the size of the bounding box."""
        raise NotImplementedError

    @property
    def bounds_mm(self) -> NDArray[np.float64]:
        """(2, 3): the lowest and the highest corner of the bounding box."""
        middle, half = np.array(self.at_mm, dtype=np.float64), np.array(self.half_mm)
        return np.stack([middle - half, middle + half])

    @property
    def reach_mm(self) -> float:
        """Distance of the farthest point from the turning axis, for a round shape."""
        return math.hypot(self.at_mm[0], self.at_mm[1]) + self.half_mm[0]

    def triangles(self) -> NDArray[np.float64]:
        """(f, 3, 3) mm: facets of the shape in its place; round ones lie within 1e-3 of the radius."""
        from trimesh import creation

        return np.asarray(self._mesh(creation).triangles, dtype=np.float64) + np.array(self.at_mm)

    def _mesh(self, creation: Any) -> Any:
        """A mesh about the origin, by `trimesh.creation`."""
        raise NotImplementedError

    def _bars(self, grid: Grid, device: torch.device | str) -> Tensor:
        """(z,) share of each slice of voxels that lies between the shape's bottom and top."""
        return share_between(grid, 2, self.at_mm[2] - self.half_mm[2], self.at_mm[2] + self.half_mm[2], device)


def share_between(grid: Grid, axis: int, low: float, high: float, device: torch.device | str) -> Tensor:
    """(n,) float64 share of each voxel's extent along one axis that lies between two positions."""
    centres = grid.centres_mm(axis).to(device)
    half = grid.voxel_mm / 2
    overlap = (centres + half).clamp(max=high) - (centres - half).clamp(min=low)
    return (overlap / grid.voxel_mm).clamp(0, 1)
