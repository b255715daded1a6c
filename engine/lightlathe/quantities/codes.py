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
    def of(volume: Packed, device: torch.device) -> "Codes":
        """A packed volume's, on a device. ShapeError of numbers beyond 3."""
        nx, ny, nz = volume.shape
        octets = torch.zeros(nx, ny, -(-nz // FOUR), dtype=torch.uint8, device=device)
        for start in range(0, nz, SLICES):  # a multiple of four, and as many slices as a packed chunk has
            piece = volume[:, :, start : start + SLICES].to(device)
            if int(piece.max()) >= FOUR:
                raise ShapeError(f"a code is {int(piece.max())}; two bits hold 0 to {FOUR - 1}.")
            piece = torch.nn.functional.pad(piece, (0, -piece.shape[2] % FOUR)).unflatten(2, (-1, FOUR))
            octets[:, :, start // FOUR : start // FOUR + piece.shape[2]] = sum(
                piece[..., n] << (2 * n) for n in range(FOUR)
            )
        return Codes(volume.shape, octets)

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
            octets = self.octets[:, :, first : -(-stop // FOUR), None]
            shifts = 2 * torch.arange(FOUR, dtype=torch.uint8, device=self.device)
            return ((octets >> shifts) & (FOUR - 1)).flatten(2)[:, :, start - FOUR * first : stop - FOUR * first]
        wanted = wanted.to(self.device)
        return (self.octets[:, :, wanted // FOUR] >> (2 * (wanted % FOUR)).to(torch.uint8)) & (FOUR - 1)


def at_hand(volume: Any, device: torch.device) -> Any:
    """A packed volume of codes as Codes on a device, made once; any other volume as it is."""
    if not isinstance(volume, Packed):
        return volume
    if str(device) not in volume.at_hand:
        volume.at_hand[str(device)] = Codes.of(volume, device)
    return volume.at_hand[str(device)]
