"""Large arrays in HDF5: chunks that threads pack and unpack, in HDF5's own filters (shuffle, gzip), so that any reader
reads them. What a chunk is made of: support/packing.py.
"""

import math
from bisect import bisect_right
from collections.abc import Callable, Iterator
from itertools import product
from typing import Any

import numpy as np
import torch
from h5py import h5z  # pyright: ignore[reportAttributeAccessIssue]

from lightlathe.quantities.packed import NUMPY, Packed
from lightlathe.support.packing import packed, unpacked
from lightlathe.support.threads import in_threads

SMALL = 4096  # numbers; fewer are written as they are
CHUNK = 1 << 20  # bytes at most: a slice through an array reads little beside it
SAMPLES = 8  # chunks that are packed to see whether that pays
LARGEST, MOST = 1 << 26, 1 << 18  # bytes of a chunk, and chunks of a dataset, that are unpacked here and not by HDF5
SLAB = 1 << 17  # numbers that are converted at once: what is made on the way stays in a core's cache
SHARE = 1 << 22  # numbers that a thread converts before it asks for more
OURS = ([h5z.FILTER_SHUFFLE, h5z.FILTER_DEFLATE], [h5z.FILTER_DEFLATE])
Place = tuple[int, ...]


def written(group: Any, name: str, values: np.ndarray, pays: float = 0.9) -> Any:
    """A new dataset that holds the values, packed where that leaves less than `pays` of their size."""
    if values.size <= SMALL or not _packs(values, sides := _sides(values), pays):
        return group.create_dataset(name, data=values)
    data = group.create_dataset(
        name,
        values.shape,
        values.dtype,
        chunks=sides,
        compression="gzip",
        compression_opts=1,
        shuffle=values.dtype.itemsize > 1,
    )
    _fill(data, values, (0,) * values.ndim)
    return data


def written_packed(group: Any, name: str, volume: Packed) -> Any:
    """A new dataset that holds a packed volume: its chunks, as they are. bool is written as 0 and 1."""
    kind = NUMPY[torch.uint8 if volume.dtype == torch.bool else volume.dtype]
    data = group.create_dataset(
        name,
        volume.shape,
        kind,
        chunks=volume.chunk,
        fillvalue=0,
        compression="gzip",
        compression_opts=1,
        shuffle=volume.itemsize > 1,
    )
    # dark chunks are written too: a reader takes no dataset that claims much and holds little
    dark = packed(np.zeros(volume.chunk, kind))
    for place in _places(volume.shape, volume.chunk):
        data.id.write_direct_chunk(place, volume.pieces.get(place, dark))
    return data


def read_packed(data: Any) -> Packed | None:
    """A volume as its packed chunks; None of a dataset that is stored otherwise. ValueError where one is damaged."""
    kinds = {np.dtype(kind).str: dtype for dtype, kind in NUMPY.items()}
    if data.ndim != 3 or data.fillvalue or data.dtype.str not in kinds or not _ours(data):
        return None
    pieces = {}
    for place, skipped, piece in _stored(data):
        if skipped:
            raise ValueError("a chunk lacks filters that its dataset names")
        pieces[place] = piece
    return Packed(data.shape, kinds[data.dtype.str], data.chunks, pieces)


def written_within(group: Any, name: str, values: np.ndarray, shape: tuple[int, ...], first: Place) -> Any:
    """A new packed dataset of `shape` with the values from `first` on; chunks that they do not touch are not stored."""
    data = group.create_dataset(
        name,
        shape,
        values.dtype,
        chunks=_sides(values),
        fillvalue=0,
        compression="gzip",
        compression_opts=1,
        shuffle=values.dtype.itemsize > 1,
    )
    _fill(data, values, first)
    return data


def _fill(data: Any, values: np.ndarray, first: Place) -> None:
    """Write the values into a new dataset from `first` on, chunk by chunk; what else such a chunk holds is 0."""
    sides = data.chunks
    ends = [start + count for start, count in zip(first, values.shape, strict=True)]
    spans = [range(start - start % side, end, side) for start, end, side in zip(first, ends, sides, strict=True)]
    places = list(product(*spans))
    for at, piece in zip(places, in_threads(lambda at: _packed(values, at, sides, first), places), strict=True):
        data.id.write_direct_chunk(at, piece)


def read(data: Any) -> np.ndarray:
    """All values of a dataset, in this machine's byte order. ValueError or zlib.error where a chunk is damaged."""
    dtype = data.dtype.newbyteorder("=")
    if not _ours(data):
        return np.asarray(data[()], dtype)
    values = np.full(data.shape, data.fillvalue, dtype) if data.fillvalue else np.zeros(data.shape, dtype)
    shuffled, sides = data.dtype.itemsize > 1, data.chunks

    def unpack(piece: tuple[Place, int, bytes]) -> None:
        at, skipped, octets = piece
        if skipped:  # HDF5's mask of filters that were not applied
            raise ValueError("a chunk lacks filters that its dataset names")
        raw = unpacked(octets, math.prod(sides), data.dtype.itemsize, shuffled=shuffled)
        here = tuple(slice(start, start + side) for start, side in zip(at, sides, strict=True))
        into = values[here]
        into[...] = raw.view(data.dtype).reshape(sides)[tuple(slice(0, n) for n in into.shape)]

    for _ in in_threads(unpack, _stored(data)):
        pass
    return values


def _ours(data: Any) -> bool:
    """Whether its chunks are packed as here, and moderate in size and number."""
    made = data.id.get_create_plist()
    filters = [made.get_filter(n)[0] for n in range(made.get_nfilters())]
    if filters != OURS[data.dtype.itemsize == 1] or 0 in data.shape:
        return False
    count = math.prod(-(-n // side) for n, side in zip(data.shape, data.chunks, strict=True))
    return count <= MOST and math.prod(data.chunks) * data.dtype.itemsize <= LARGEST


def in_slabs(convert: Callable[[np.ndarray], np.ndarray], values: np.ndarray, dtype: Any) -> np.ndarray:
    """convert(numbers) of all numbers of an array, slab by slab in threads: no large temporary arrays."""
    given, into = np.ascontiguousarray(values).reshape(-1), np.empty(values.size, dtype)

    def work(begin: int) -> None:
        for first in range(begin, min(begin + SHARE, len(into)), SLAB):
            into[first : first + SLAB] = convert(given[first : first + SLAB])

    for _ in in_threads(work, range(0, len(into), SHARE)):
        pass
    return into.reshape(values.shape)


def _sides(values: np.ndarray) -> tuple[int, ...]:
    """The shape of a chunk: as near to a cube as the array is; about equal chunks, so that none is mostly padding."""
    edges = range(1, max(values.shape) + 1)
    edge = edges[
        bisect_right(edges, CHUNK, key=lambda e: math.prod(min(n, e) for n in values.shape) * values.itemsize) - 1
    ]
    return tuple(-(-n // -(-n // edge)) for n in values.shape)


def _places(shape: tuple[int, ...], sides: tuple[int, ...]) -> Iterator[Place]:
    return product(*(range(0, n, side) for n, side in zip(shape, sides, strict=True)))


def _packs(values: np.ndarray, sides: tuple[int, ...], pays: float) -> bool:
    places = list(_places(values.shape, sides))
    sample = places[:: max(1, len(places) // SAMPLES)]
    size = sum(len(piece) for piece in in_threads(lambda at: _packed(values, at, sides), sample))
    return size < pays * len(sample) * math.prod(sides) * values.dtype.itemsize


def _packed(values: np.ndarray, at: Place, sides: tuple[int, ...], first: Place | None = None) -> bytes:
    """One chunk as HDF5's filters shuffle and gzip make it; around the values, which begin at `first`, lie zeros."""
    from_values = [start - skip for start, skip in zip(at, first or (0,) * len(at), strict=True)]
    piece = values[tuple(slice(max(a, 0), a + side) for a, side in zip(from_values, sides, strict=True))]
    if piece.shape != sides:
        whole = np.zeros(sides, values.dtype)
        whole[tuple(slice(max(-a, 0), max(-a, 0) + n) for a, n in zip(from_values, piece.shape, strict=True))] = piece
        piece = whole
    return packed(piece)


def _stored(data: Any) -> Iterator[tuple[Place, int, bytes]]:
    """(place, filter mask, packed bytes) of every chunk that is there; one that is not holds the fill value."""
    held = data.id.get_storage_size()
    for at in _places(data.shape, data.chunks):
        info = data.id.get_chunk_info_by_coord(at)
        if info.byte_offset is None:
            continue
        if info.size > held:
            raise ValueError(f"a chunk claims {info.size} bytes; the dataset holds {held}")
        skipped, piece = data.id.read_direct_chunk(at)
        yield at, skipped, piece
