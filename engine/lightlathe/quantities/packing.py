"""Packing a volume some slices at a time: see quantities/packed.py."""

import math
from functools import lru_cache
from itertools import product

import numpy as np
import torch
from torch import Tensor

from lightlathe.quantities.packed import Packed, Place, chunk_of
from lightlathe.support.packing import packed
from lightlathe.support.threads import in_threads

TOGETHER_BYTES = 1 << 28  # of slices that are packed at a time, or those of one chunk


@lru_cache(maxsize=64)
def _one_number(chunk: Place, dtype: str, value: float) -> bytes:
    """A chunk of one number: most of a part's volumes are such."""
    return packed(np.full(chunk, value, dtype))


class Packing:
    """A volume that is given some slices at a time, from the lowest up; `packed` once all are there."""

    def __init__(self, shape: Place, dtype: torch.dtype) -> None:
        self.packed = Packed(shape, dtype, chunk_of(shape, dtype.itemsize), {})
        self.done, self.left = 0, torch.zeros(*shape[:2], 0, dtype=dtype)
        self.host: Tensor | None = None  # what comes from a card goes through it

    @staticmethod
    def of(volume: Tensor) -> Packed:
        """A volume that lies in memory."""
        made = Packing(tuple(volume.shape), volume.dtype)
        made.append(volume)
        return made.packed

    def append(self, slab: Tensor) -> None:
        """The next slices (x, y, slice), on any device."""
        nz, side = self.packed.shape[2], self.packed.chunk[2]
        layer = math.prod(self.packed.shape[:2]) * self.packed.itemsize * side
        for piece in slab.split(side * max(1, TOGETHER_BYTES // max(1, layer)), 2):  # no more lies unpacked here
            piece = self._here(piece)
            self.left = torch.cat([self.left, piece], 2) if self.left.shape[2] else piece
            ready = self.left.shape[2]
            if self.done + ready < nz:
                ready -= ready % side
            if ready:
                self._pack(self.left[:, :, :ready].numpy())
                self.done, self.left = self.done + ready, self.left[:, :, ready:].clone()
            elif self.left is self.host:
                self.left = self.left.clone()

    def _here(self, piece: Tensor) -> Tensor:
        """The same in main memory: from a card through one pinned buffer, several times as fast as into new memory."""
        if piece.device.type != "cuda":
            return piece.cpu()
        if self.host is None or self.host.shape != piece.shape:
            self.host = torch.empty(piece.shape, dtype=piece.dtype, pin_memory=True)
        return self.host.copy_(piece)

    def _pack(self, slab: np.ndarray) -> None:
        made = self.packed
        places = list(product(*(range(0, n, side) for n, side in zip(slab.shape, made.chunk, strict=True))))

        def work(place: Place) -> bytes | None:
            piece = slab[tuple(slice(first, first + side) for first, side in zip(place, made.chunk, strict=True))]
            low, high = piece.min(), piece.max()
            if low == high and (piece.shape == made.chunk or low == 0):
                return None if low == 0 else _one_number(made.chunk, piece.dtype.str, low.item())
            if piece.shape != made.chunk:
                whole = np.zeros(made.chunk, piece.dtype)
                whole[tuple(slice(0, n) for n in piece.shape)] = piece
                piece = whole
            return packed(piece)

        for (x, y, z), piece in zip(places, in_threads(work, places), strict=True):
            if piece is not None:
                made.pieces[x, y, z + self.done] = piece
