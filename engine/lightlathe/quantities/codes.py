"""Codes of voxels close at hand: two bits each, on the device that looks at them pass after pass."""

from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import ShapeError
from lightlathe.quantities.packed import SLICES, Packed, Place

FOUR = 4  # voxels of an octet, one above the other


@dataclass(frozen=True, eq=False)
class Codes:
    """Numbers 0 to 3 of voxels (x, y, z); some slices of them cost next to nothing.

    octets   (x, y, ceil(z / 4)) uint8: the lowest two bits are the lowest slice's
    """

    shape: Place
    octets: Tensor
    dtype = torch.uint8

    @property
    def device(self) -> torch.device:
        return self.octets.device

    @staticmethod
    def empty(shape: Place, device: torch.device) -> "Codes":
        """All 0."""
        nx, ny, nz = shape
        return Codes(shape, torch.zeros(nx, ny, -(-nz // FOUR), dtype=torch.uint8, device=device))

    @staticmethod
    def of(volume: Packed, device: torch.device) -> "Codes":
        """A packed volume's, on a device."""
        made = Codes.empty(volume.shape, device)
        for start in range(0, volume.shape[2], SLICES):  # as many as a packed chunk has
            made.put(start, volume[:, :, start : start + SLICES].to(device))
        return made

    def put(self, start: int, slab: Tensor) -> None:
        """The slices (x, y, slice) from `start` on, which were 0. ShapeError of numbers beyond 3."""
        if slab.numel() and int(slab.max()) >= FOUR:
            raise ShapeError(f"a code is {int(slab.max())}; two bits hold 0 to {FOUR - 1}.")
        for n in range(FOUR):
            mine = slab[:, :, (n - start) % FOUR :: FOUR]
            first = (start + (n - start) % FOUR) // FOUR
            self.octets[:, :, first : first + mine.shape[2]] |= mine << (2 * n)

    def __getitem__(self, index: Any) -> Tensor:
        """(x, y, slice) uint8 by [..., z] or [:, :, z], z a slice or a list of slices."""
        *others, wanted = index
        if any(part is not Ellipsis and part != slice(None) for part in others):
            raise ShapeError("codes are looked up by slices alone; expected [:, :, slices].")
        if isinstance(wanted, slice):
            start, stop, step = wanted.indices(self.shape[2])
            if step != 1:
                raise ShapeError(f"codes are read in steps of {step}; expected 1.")
            first, stop = start // FOUR, max(start, stop)
            octets = self.octets[:, :, first : -(-stop // FOUR)]
            found = octets.new_empty(*octets.shape, FOUR)
            for n in range(FOUR):
                found[..., n] = (octets >> (2 * n)) & (FOUR - 1)
            return found.flatten(2)[:, :, start - FOUR * first : stop - FOUR * first]
        wanted = wanted.to(self.device)
        found = self.octets[:, :, wanted // FOUR]
        found >>= (2 * (wanted % FOUR)).to(torch.uint8)
        found &= FOUR - 1
        return found


def at_hand(volume: Any, device: torch.device) -> Any:
    """A packed volume of codes as Codes on a device, made once; any other volume as it is."""
    if not isinstance(volume, Packed):
        return volume
    if str(device) not in volume.at_hand:
        volume.at_hand[str(device)] = Codes.of(volume, device)
    return volume.at_hand[str(device)]
