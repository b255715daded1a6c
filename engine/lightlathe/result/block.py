"""A dataset of which one block alone is lit: it has its whole shape, and what is dark takes no room and is not read.

Its attributes `lit_first` and `lit_shape` name the block, a whole number for each axis. The dataset is chunked; chunks
that the block does not touch are not written, and read as 0. Its `sha256` is of the block's values. That all else is 0
is checked too, on the chunks that are there: so a flipped bit beside the block is found, and dark ones cost nothing.
"""

import math
from collections.abc import Iterator
from typing import Any, TypeGuard

import h5py
import numpy as np

from lightlathe.result.chunks import written_within

FIRST, SHAPE = "lit_first", "lit_shape"
Block = tuple[slice, ...]


def put_block(group: Any, name: str, values: np.ndarray, shape: tuple[int, ...], first: tuple[int, ...]) -> Any:
    """A packed dataset (angle, column, row) of `shape`, with `values` from `first` on and 0 elsewhere."""
    data = written_within(group, name, values, shape, first)
    data.attrs.update({FIRST: list(first), SHAPE: list(values.shape)})
    return data


def block_of(attrs: dict[str, Any], shape: tuple[int, ...], where: str) -> Block | None:
    """The block of a dataset; None where all of it is lit. ValueError for one that does not lie in it."""
    if FIRST not in attrs and SHAPE not in attrs:
        return None
    first, count = attrs.get(FIRST), attrs.get(SHAPE)
    if not (_numbers(first, len(shape)) and _numbers(count, len(shape))):
        raise ValueError(f"{FIRST} and {SHAPE} of {where} are {first} and {count}; expected a block of {shape}")
    if not all(a >= 0 and n >= 1 and a + n <= size for a, n, size in zip(first, count, shape, strict=True)):
        raise ValueError(f"the block of {where}, {count} from {first} on, does not lie in its {shape}")
    return tuple(slice(a, a + n) for a, n in zip(first, count, strict=True))


def _numbers(value: Any, count: int) -> TypeGuard[list[int]]:
    """Whether an attribute holds so many whole numbers."""
    whole = isinstance(value, list) and all(isinstance(n, int) and not isinstance(n, bool) for n in value)
    return whole and len(value) == count


def claimed_bytes(data: h5py.Dataset, block: Block | None) -> int:
    """Bytes that are unpacked at most when a dataset is read and checked."""
    values = math.prod(data.shape)
    if block is not None and data.chunks is not None:
        values = max(math.prod(b.stop - b.start for b in block), data.id.get_num_chunks() * math.prod(data.chunks))
    return values * data.dtype.itemsize


def require_dark(data: h5py.Dataset, block: Block, where: str) -> None:
    """ValueError where anything outside of the block is not 0. Memory: one chunk."""
    if np.any(data.fillvalue):
        raise ValueError(f"what {where} does not hold reads as {data.fillvalue}; expected 0")
    for place in _pieces(data):
        within = tuple(
            slice(max(p.start, b.start) - p.start, max(min(p.stop, b.stop) - p.start, 0))
            for p, b in zip(place, block, strict=True)
        )
        size = tuple(p.stop - p.start for p in place)
        if math.prod(max(0, w.stop - w.start) for w in within) == math.prod(size):
            continue
        piece = np.array(data[place])
        piece[within] = 0
        if piece.any():
            raise ValueError(f"{where} has light outside of its lit block")


def _pieces(data: h5py.Dataset) -> Iterator[Block]:
    """What is stored of a dataset, piece by piece."""
    if data.chunks is None:
        yield from ((slice(n, n + 1), *(slice(0, size) for size in data.shape[1:])) for n in range(data.shape[0]))
        return
    places: list[tuple[int, ...]] = []
    data.id.chunk_iter(lambda chunk: places.append(chunk.chunk_offset))
    for place in places:
        yield tuple(slice(a, min(a + n, size)) for a, n, size in zip(place, data.chunks, data.shape, strict=True))
