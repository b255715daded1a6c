"""Volumes that are held packed in main memory: those of large grids, of which work sees some slices at a time.

A `Packed` is indexed like a tensor and gives tensors; what is asked for is unpacked, in threads. Nothing is kept but
the last layers along x, for those who go through a volume layer by layer. Packed numbers come back bit for bit.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import torch
from torch import Tensor

from lightlathe.errors import ShapeError
from lightlathe.support.packing import packed, unpacked
from lightlathe.support.threads import in_threads

CHUNK_BYTES = 1 << 19
SLICES = 16  # of a chunk: volumes are made, and mostly looked at, some slices at a time
LAYERS = 32  # of a chunk along x: others look at them that way
KEPT = 2  # chunks along x whose layers stay unpacked
NUMPY = {torch.uint8: np.uint8, torch.bool: np.bool_, torch.float32: np.float32, torch.float64: np.float64}
Place = tuple[int, ...]  # along x, y and z


def chunk_of(shape: Place, itemsize: int) -> Place:
    nx, ny, nz = (max(1, n) for n in shape)
    z, x = min(nz, SLICES), min(nx, LAYERS)
    return x, min(ny, max(1, CHUNK_BYTES // (itemsize * x * z))), z


@dataclass(frozen=True, eq=False)
class Packed:
    """A volume (x, y, z) in packed chunks; those that are not there hold zeros.

    chunk    voxels of a chunk along x, y and z; those at the far ends reach beyond the volume
    pieces   place of a chunk's first voxel -> its bytes; see support/packing.py
    """

    shape: Place
    dtype: torch.dtype
    chunk: Place
    pieces: dict[Place, bytes] = field(repr=False)
    kept: dict[int, Tensor] = field(default_factory=dict, repr=False)
    at_hand: dict[str, Any] = field(default_factory=dict, repr=False)  # by device: see codes.py
    device = torch.device("cpu")
    ndim = 3

    def __eq__(self, other: object) -> bool:
        raise ShapeError("a packed volume is compared as a whole; expected some slices of it, or `unpacked`.")

    __hash__ = object.__hash__

    @property
    def itemsize(self) -> int:
        return self.dtype.itemsize

    @property
    def nbytes(self) -> int:
        """That it takes in memory."""
        return sum(map(len, self.pieces.values()))

    def is_floating_point(self) -> bool:
        return self.dtype.is_floating_point

    def numel(self) -> int:
        return math.prod(self.shape)

    def __len__(self) -> int:
        return self.shape[0]

    def __iter__(self) -> Iterator[Tensor]:
        """Its layers along x."""
        for start in range(0, self.shape[0], self.chunk[0]):
            yield from self[start : start + self.chunk[0]]

    def __getitem__(self, index: Any) -> Tensor:
        """As of a tensor, by slices (steps of 1 or more), whole numbers, a list of slices (z,) in the last place, or
        three tensors of indices."""
        parts = list(index) if isinstance(index, tuple) else [index]
        if len(parts) == 3 and all(isinstance(part, Tensor) for part in parts):
            return self._at(*parts)
        whole = slice(None)
        dots = [n for n, part in enumerate(parts) if part is Ellipsis]
        if dots:
            parts[dots[0] : dots[0] + 1] = [whole] * (4 - len(parts))
        parts += [whole] * (3 - len(parts))
        if isinstance(parts[2], Tensor):
            return self._slices(parts[2])[parts[0], parts[1]]
        spans, within = [], []
        for part, n in zip(parts, self.shape, strict=True):
            if isinstance(part, slice):
                start, stop, step = part.indices(n)
                if step < 1:
                    raise ShapeError(f"a packed volume is read in steps of {step}; expected 1 or more.")
                spans.append(range(start, max(start, stop)))
                within.append(slice(None, None, step))
            else:
                at = range(n)[int(part)]
                spans.append(range(at, at + 1))
                within.append(0)
        if len(spans[0]) < self.chunk[0] and (len(spans[1]), len(spans[2])) == self.shape[1:]:
            return self._layers(spans[0])[tuple(within)]
        return self._block(*spans)[tuple(within)]

    def to(self, device: torch.device | str) -> Any:
        """Itself in main memory; all of it, as a tensor, on another device."""
        return self if torch.device(device).type == "cpu" else self.unpacked().to(device)

    def cpu(self) -> "Packed":
        return self

    def float(self) -> Any:
        return self if self.dtype == torch.float32 else self.unpacked().float()

    def numpy(self) -> np.ndarray:
        """All of it, unpacked."""
        return self.unpacked().numpy()

    def unpacked(self) -> Tensor:
        """All of it."""
        return self[:, :, :]

    def mapped(self, made: Callable[[np.ndarray], np.ndarray], dtype: torch.dtype) -> "Packed":
        """made(numbers) of all numbers, of type `dtype`, packed; 0 has to stay 0."""
        one_of = {piece: at for at, piece in self.pieces.items()}  # many chunks are the same
        found = in_threads(
            lambda at: packed(made(self._chunk_at(at)).astype(NUMPY[dtype], copy=False)), one_of.values()
        )
        mapped = dict(zip(one_of, found, strict=True))
        return Packed(self.shape, dtype, self.chunk, {at: mapped[piece] for at, piece in self.pieces.items()})

    def _chunk_at(self, place: Place) -> np.ndarray:
        octets = unpacked(self.pieces[place], math.prod(self.chunk), self.itemsize)
        return octets.view(NUMPY[self.dtype]).reshape(self.chunk)

    def _layers(self, span: range) -> Tensor:
        """(x, y, z) fewer layers than a chunk has; those of its chunk stay unpacked."""
        side, (nx, ny, nz) = self.chunk[0], self.shape
        found = []
        for first in range(span.start - span.start % side, span.stop, side):
            if first not in self.kept:
                while len(self.kept) >= KEPT:
                    self.kept.pop(next(iter(self.kept)))
                self.kept[first] = self._block(range(first, min(first + side, nx)), range(ny), range(nz))
            layers = self.kept[first]
            found.append(layers[max(span.start - first, 0) : max(span.stop - first, 0)])
        return torch.cat(found) if found else self._block(span, range(ny), range(nz))

    def _block(self, *spans: range) -> Tensor:
        """(x, y, z) the voxels of three ranges."""
        block = torch.zeros([len(span) for span in spans], dtype=self.dtype)
        into = block.numpy()
        starts = [
            range(span.start - span.start % side, span.stop, side) if len(span) else range(0)
            for span, side in zip(spans, self.chunk, strict=True)
        ]

        def put(place: Place) -> None:
            here, there = [], []
            for first, side, span in zip(place, self.chunk, spans, strict=True):
                low, high = max(first, span.start), min(first + side, span.stop)
                here.append(slice(low - first, high - first))
                there.append(slice(low - span.start, high - span.start))
            into[tuple(there)] = self._chunk_at(place)[tuple(here)]

        for _ in in_threads(put, (place for place in product(*starts) if place in self.pieces)):
            pass
        return block

    def _slices(self, index: Tensor) -> Tensor:
        """(x, y, slice) some slices, in any order."""
        index = index.cpu()
        index = index.nonzero().flatten() if index.dtype == torch.bool else index
        nx, ny, nz = self.shape
        index = torch.where(index < 0, index + nz, index)
        if len(index) and len(index) == int(index[-1] - index[0]) + 1 and bool((index.diff() == 1).all()):
            return self._block(range(nx), range(ny), range(int(index[0]), int(index[-1]) + 1))
        found = torch.zeros(nx, ny, len(index), dtype=self.dtype)
        layers = index // self.chunk[2]
        for layer in layers.unique().tolist():
            mine = (layers == layer).nonzero().flatten()
            first = layer * self.chunk[2]
            block = self._block(range(nx), range(ny), range(first, min(first + self.chunk[2], self.shape[2])))
            found[:, :, mine] = block[:, :, index[mine] - first]
        return found

    def _at(self, *index: Tensor) -> Tensor:
        """The voxels at three tensors of indices of one shape."""
        x, y, z = (part.cpu() for part in torch.broadcast_tensors(*index))
        order, found = x.flatten().argsort(), torch.zeros(x.numel(), dtype=self.dtype)
        layers, counts = (x.flatten()[order] // self.chunk[0]).unique_consecutive(return_counts=True)
        for layer, mine in zip(layers.tolist(), order.split(counts.tolist()), strict=True):
            first = layer * self.chunk[0]
            block = self[first : first + self.chunk[0]]
            found[mine] = block[x.flatten()[mine] - first, y.flatten()[mine], z.flatten()[mine]]
        return found.reshape(x.shape)
