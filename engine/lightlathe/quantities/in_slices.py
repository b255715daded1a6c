"""Volumes that are packed or not, looked at some slices at a time."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import ShapeError
from lightlathe.quantities.codes import Codes
from lightlathe.quantities.packed import SLICES, Packed, Place

LAYER_VOXELS = 1 << 27  # unpacked at a time by those who go through a whole volume


@dataclass(frozen=True)
class Where:
    """(x, y, z) bool, on the device of the codes: voxels of a volume of codes that are `code`, of some slices of it.

    slices   (z,) int64 which slices; None: all
    times    how often they stand one after the other along x
    """

    codes: Packed | Codes
    code: int
    slices: Tensor | None = None
    times: int = 1
    dtype = torch.bool

    @property
    def device(self) -> torch.device:
        return self.codes.device

    @property
    def shape(self) -> Place:
        nx, ny, nz = self.codes.shape
        return nx * self.times, ny, nz if self.slices is None else len(self.slices)

    def __getitem__(self, index: Any) -> Any:
        """By [..., z] or [:, :, z], z a slice or a list of slices."""
        *others, wanted = index
        if any(part is not Ellipsis and part != slice(None) for part in others):
            raise ShapeError("voxels of a code are looked up by slices alone; expected [:, :, slices].")
        if self.slices is not None:
            wanted = self.slices[wanted]
        found = self.codes[:, :, wanted] == self.code
        return found if self.times == 1 else found.repeat(self.times, 1, 1)

    def repeat(self, times: int, *_: int) -> "Where":
        """The same as often as that along x."""
        return replace(self, times=self.times * times)

    def picked(self, index: Tensor) -> "Where":
        """Those of some of its slices, (z,) int64."""
        index = index.to(self.device)
        return replace(self, slices=index if self.slices is None else self.slices[index])

    def unpacked(self) -> Tensor:
        """All of it."""
        return self[:, :, :]


Volume = Tensor | Packed
"""Numbers of voxels (x, y, z)."""


def unpacked_from(volume: Volume) -> Tensor:
    """All of a volume, as a tensor."""
    return volume.unpacked() if isinstance(volume, Packed) else volume


def slices_of(*volumes: Tensor | Packed | Where) -> Iterator[tuple[slice, tuple[Tensor, ...]]]:
    """(which slices, those of each volume), from the lowest up; volumes that are not packed come as a whole."""
    nx, ny, nz = volumes[0].shape
    count = nz
    if not all(isinstance(volume, Tensor) for volume in volumes):
        count = max(1, LAYER_VOXELS // max(1, nx * ny) // SLICES * SLICES)
    for start in range(0, nz, max(1, count)):
        taken = slice(start, min(start + count, nz))
        yield taken, tuple(volume[:, :, taken] for volume in volumes)


def any_in_slices(volume: Tensor | Packed | Where, found: Callable[[Tensor], Tensor] = lambda piece: piece) -> Tensor:
    """(z,) bool, where the volume lies: slices in which `found` is true of any voxel."""
    return torch.cat([found(piece).any(0).any(0) for _, (piece,) in slices_of(volume)])
