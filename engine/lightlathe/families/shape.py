"""A solid placed in the vial that is not a mesh."""

from typing import Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from lightlathe.quantities import Grid


class Shape(Protocol):
    """Lengths in mm, places in the vial's frame."""

    @property
    def at_mm(self) -> tuple[float, float, float]:
        """Its middle."""
        ...

    @property
    def bounds_mm(self) -> NDArray[np.float64]:
        """(2, 3): the lowest and the highest corner of its box."""
        ...

    @property
    def reach_mm(self) -> float:
        """Distance of its farthest point from the turning axis."""
        ...

    @property
    def volume_mm3(self) -> float: ...

    @property
    def thinnest_mm(self) -> float:
        """Thickness of its thinnest wall."""
        ...

    def coverage(self, grid: Grid, device: torch.device | str = "cpu") -> Tensor:
        """(x, y, z) float32 in 0..1 on `device`: the fraction of each voxel that it fills."""
        ...

    def triangles(self) -> NDArray[np.float64]:
        """(facet, corner, 3): a closed skin, corners anticlockwise seen from outside."""
        ...
