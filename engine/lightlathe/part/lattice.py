"""A scaffold of square struts, an analytic shape."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from lightlathe.errors import PartError
from lightlathe.part.upright import Upright, share_between
from lightlathe.quantities import Grid

MAX_STRUTS = 2000  # along one axis


@dataclass(frozen=True)
class Lattice(Upright):
    """Square struts along x, y and z that cross at the points of a cubic lattice.

    strut_mm     side of a strut
    pitch_mm     from the middle of one to that of the next
    x_mm, y_mm, z_mm      it has as many struts as fit into this, about its middle; the outermost lie flush
    """

    strut_mm: float
    pitch_mm: float
    x_mm: float
    y_mm: float
    z_mm: float
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.pitch_mm <= self.strut_mm:
            raise PartError(
                f"lattice: pitch_mm is {self.pitch_mm} and strut_mm {self.strut_mm}; expected a pitch above the strut, "
                "so that there are gaps."
            )
        if min(self._room) < self.strut_mm or max(self.struts) > MAX_STRUTS:
            raise PartError(
                f"lattice: {self._room} mm hold {self.struts} struts of {self.strut_mm} mm; expected 1 to {MAX_STRUTS} "
                "along each axis."
            )

    @property
    def _room(self) -> tuple[float, float, float]:
        return self.x_mm, self.y_mm, self.z_mm

    @property
    def struts(self) -> tuple[int, int, int]:
        """How many lie side by side along each axis."""
        x, y, z = (math.floor((room - self.strut_mm) / self.pitch_mm + 1e-9) + 1 for room in self._room)
        return x, y, z

    @property
    def half_mm(self) -> tuple[float, float, float]:
        x, y, z = (((n - 1) * self.pitch_mm + self.strut_mm) / 2 for n in self.struts)
        return x, y, z

    @property
    def reach_mm(self) -> float:
        return math.hypot(abs(self.at_mm[0]) + self.half_mm[0], abs(self.at_mm[1]) + self.half_mm[1])

    @property
    def volume_mm3(self) -> float:
        a, b, c = (n * self.strut_mm for n in self.struts)
        x, y, z = (2 * half for half in self.half_mm)
        return a * b * z + b * c * x + c * a * y - 2 * a * b * c

    @property
    def thinnest_mm(self) -> float:
        return self.strut_mm

    def _edges(self, axis: int) -> NDArray[np.float64]:
        """(struts, 2): where each begins and ends along an axis."""
        n = self.struts[axis]
        middle = self.at_mm[axis] + (np.arange(n) - (n - 1) / 2) * self.pitch_mm
        return middle[:, None] + np.array([-0.5, 0.5]) * self.strut_mm

    def coverage(self, grid: Grid, device: torch.device | str = "cpu") -> Tensor:
        """(x, y, z) float32 covered fraction, exact: what lies in two or three of the sets of slabs along x, y, z."""
        slabs, all_of_it = [], []
        for axis in range(3):
            edges = self._edges(axis)
            slabs.append(sum(share_between(grid, axis, low, high, device) for low, high in edges.tolist()))
            all_of_it.append(share_between(grid, axis, edges[0, 0], edges[-1, 1], device))
        (a, b, c), (x, y, z) = slabs, all_of_it
        in_plane = (a[:, None] * b)[:, :, None]
        found = in_plane * (z - 2 * c)
        found += (x[:, None] * b)[:, :, None] * c
        found += (a[:, None] * y)[:, :, None] * c
        return found.clamp_(0, 1).to(torch.float32)

    def triangles(self) -> NDArray[np.float64]:
        """(f, 3, 3) mm: the faces between struts and what is not, cut where struts cross."""
        edges = [self._edges(axis).ravel() for axis in range(3)]
        slab = [np.arange(len(e) - 1) % 2 == 0 for e in edges]
        a, b, c = slab[0][:, None, None], slab[1][:, None], slab[2]
        solid = np.pad((a & b) | (b & c) | (c & a), 1)
        found = []
        for axis in range(3):
            change = np.diff(solid.astype(np.int8), axis=axis)
            for sign in (-1, 1):  # out of the solid along the axis, and into it
                at = np.argwhere(change == sign)
                at[:, [k for k in range(3) if k != axis]] -= 1  # the rim of empty cells
                u, v = np.zeros(3, int), np.zeros(3, int)
                u[(axis + 1) % 3] = v[(axis + 2) % 3] = 1
                u, v = (u, v) if sign < 0 else (v, u)
                found += [np.stack([at, at + u, at + u + v], 1), np.stack([at, at + u + v, at + v], 1)]
        corner = np.concatenate(found)
        return np.stack([edges[axis][corner[:, :, axis]] for axis in range(3)], axis=2)

    def _mesh(self, creation: Any) -> Any:
        raise NotImplementedError  # `triangles` needs none
