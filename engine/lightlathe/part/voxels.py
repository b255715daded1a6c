"""A part given as covered fractions of voxels: a mask or an array from any other program."""

import hashlib
import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import torch
from numpy.typing import ArrayLike, NDArray
from torch import Tensor

from lightlathe.errors import JobError, PartError, shown
from lightlathe.quantities import Grid

EDGES = 0.01  # share of the lines through the solid that the thinnest wall leaves out: round ends taper to nothing
MAX_VOXELS = 1_000_000_000  # voxels


@dataclass(frozen=True, eq=False)
class Voxels:
    """A solid from an array (x, y, z): a mask, or covered fractions 0..1. Where its job has a shape, from Python alone.

    covered    bool, or numbers of 0..1; x, y, z in the vial's frame, z up along the turning axis
    voxel_mm   edge of its voxels, which need not be those of the job's grid: what they share is counted exactly
    at_mm      where the middle of the array stands

    Raises PartError for another shape or other numbers, and for an array with nothing in it.
    """

    covered: ArrayLike = field(repr=False)
    voxel_mm: float
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        given = self.covered.detach().cpu().numpy() if isinstance(self.covered, Tensor) else np.asarray(self.covered)
        if given.ndim != 3 or not 0 < given.size <= MAX_VOXELS:
            raise PartError(
                f"voxels: covered has shape {given.shape}; expected (x, y, z), {MAX_VOXELS} voxels at most."
            )
        if given.dtype.kind not in "bfiu":
            raise PartError(f"voxels: covered holds {given.dtype}; expected bool, or numbers of 0 to 1.")
        array = np.array(given, dtype=np.float32)  # a copy: later changes to the caller's array do not count
        if not ((array >= 0) & (array <= 1)).all():  # NaN too
            raise PartError(
                f"voxels: covered ranges from {given.min():g} to {given.max():g}; expected numbers of 0 to 1, no NaN."
            )
        if not array.any():
            raise PartError("voxels: covered is 0 everywhere; expected a solid.")
        if isinstance(self.voxel_mm, bool) or not (math.isfinite(self.voxel_mm) and self.voxel_mm > 0):
            raise PartError(f"voxels: voxel_mm is {self.voxel_mm}; expected a length above 0 mm.")
        if len(self.at_mm) != 3 or not all(math.isfinite(v) for v in self.at_mm):
            raise PartError(f"voxels: at_mm is {shown(self.at_mm)}; expected three finite numbers, for x, y and z.")
        array.flags.writeable = False
        object.__setattr__(self, "covered", array)
        object.__setattr__(self, "at_mm", tuple(float(v) for v in self.at_mm))

    @property
    def array(self) -> NDArray[np.float32]:
        """(x, y, z) float32 in 0..1."""
        return self.covered  # type: ignore[return-value]

    def coverage(self, grid: Grid, device: torch.device | str = "cpu") -> Tensor:
        """(x, y, z) float32: the volume that each voxel of the grid shares with these, exact to rounding."""
        total = torch.tensor(self.array, device=device)
        for axis in range(3):
            shares = self._shares(axis, grid).to(device=device, dtype=torch.float32)
            total = torch.tensordot(total, shares, dims=([0], [1]))  # type: ignore[arg-type]  # the axis just done goes to the end
        return total.clamp_(0, 1).contiguous()

    def _shares(self, axis: int, grid: Grid) -> Tensor:
        """(n of the grid, n of the array) float64: the share of each voxel of the grid that lies in each of these."""
        at = grid.centres_mm(axis)[:, None]
        own = self._low_mm[axis] + torch.arange(self.array.shape[axis], dtype=torch.float64) * self.voxel_mm
        high = torch.minimum(at + grid.voxel_mm / 2, own + self.voxel_mm)
        low = torch.maximum(at - grid.voxel_mm / 2, own)
        return (high - low).clamp(min=0) / grid.voxel_mm

    @cached_property
    def bounds_mm(self) -> NDArray[np.float64]:
        """(2, 3): the lowest and the highest corner of the voxels that hold something."""
        found = []
        for axis in range(3):
            filled = np.flatnonzero(self.array.any(axis=tuple({0, 1, 2} - {axis})))
            found.append((filled[0], filled[-1] + 1))
        return self._low_mm + np.array(found, dtype=np.float64).T * self.voxel_mm

    @cached_property
    def reach_mm(self) -> float:
        """Distance of the farthest corner of a filled column from the turning axis."""
        columns = np.argwhere(self.array.any(2))
        low = self._low_mm[:2] + columns * self.voxel_mm
        return float(np.hypot(*np.maximum(np.abs(low), np.abs(low + self.voxel_mm)).T).max())

    @property
    def volume_mm3(self) -> float:
        return float(self.array.sum(dtype=np.float64)) * self.voxel_mm**3

    @cached_property
    def thinnest_mm(self) -> float:
        """Length that a hundredth of the lines along x, y and z through the solid stay below."""
        runs = []
        for axis in range(3):
            change = np.diff(self._solid.astype(np.int8), axis=axis)
            lines = np.moveaxis(change, axis, 2).reshape(-1, change.shape[axis])
            runs.append(np.nonzero(lines < 0)[1] - np.nonzero(lines > 0)[1])
        lengths = np.sort(np.concatenate(runs))
        return float(lengths[int(EDGES * len(lengths))]) * self.voxel_mm if len(lengths) else self.voxel_mm

    def triangles(self) -> NDArray[np.float64]:
        """(f, 3, 3) mm: the faces between voxels at least half filled and others, two facets each."""
        found = []
        for axis in range(3):
            change = np.diff(self._solid.astype(np.int8), axis=axis)
            for sign in (-1, 1):  # out of the solid along the axis, and into it
                at = np.argwhere(change == sign).astype(np.float64)
                at[:, [a for a in range(3) if a != axis]] -= 1  # the rim of empty voxels
                u, v = np.zeros(3), np.zeros(3)
                u[(axis + 1) % 3] = v[(axis + 2) % 3] = 1.0
                u, v = (u, v) if sign < 0 else (v, u)
                found += [np.stack([at, at + u, at + u + v], 1), np.stack([at, at + u + v, at + v], 1)]
        return self._low_mm + np.concatenate(found) * self.voxel_mm

    @property
    def _solid(self) -> NDArray[np.bool_]:
        """Voxels at least half filled, with a rim of empty ones."""
        return np.pad(self.array >= 0.5, 1)

    @property
    def _low_mm(self) -> NDArray[np.float64]:
        return np.array(self.at_mm) - np.array(self.array.shape) * self.voxel_mm / 2

    def as_job(self) -> dict[str, Any]:
        """What a job's settings say of it: all but the array, which its SHA-256 stands for."""
        return {
            "kind": KIND,
            "cells": list(self.array.shape),
            "voxel_mm": float(self.voxel_mm),
            "at_mm": list(self.at_mm),
            "sha256": hashlib.sha256(self.array.tobytes()).hexdigest(),
        }


KIND = "voxels"


@dataclass(frozen=True)
class VoxelsOfRecord:
    """What a result's settings say of a part that came as an array; the result holds it as voxels of its own grid."""

    cells: tuple[int, int, int]
    voxel_mm: float
    at_mm: tuple[float, float, float]
    sha256: str

    def __getattr__(self, attribute: str) -> Any:
        if attribute.startswith("_"):
            raise AttributeError(attribute)
        raise JobError(
            f'shape kind = "{KIND}" is an array that was given from Python, and its {attribute} is not in a file; '
            "design it from Python again (lightlathe.Voxels)."
        )
