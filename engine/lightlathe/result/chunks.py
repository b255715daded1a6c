"""Large arrays in HDF5: chunks that threads pack and unpack, in HDF5's own filters (shuffle, gzip), so that any reader
reads them.

HDF5 packs in one thread, and gzip's search for repeats finds little in doses and patterns: runs of one byte are what
there is (zlib's strategy Z_RLE), and looking for those alone is 1.5 to 2 times faster at about the same size.
"""

import math
import zlib
from bisect import bisect_right
from collections.abc import Callable, Iterator
from itertools import product
from typing import Any

import numpy as np
from h5py import h5z  # pyright: ignore[reportAttributeAccessIssue]

from lightlathe.support.threads import in_threads

SMALL = 4096  # numbers; fewer are written as they are
CHUNK = 1 << 20  # bytes at most: a slice through an array reads little beside it
SAMPLES = 8  # chunks that are packed to see whether that pays
LARGEST, MOST = 1 << 26, 1 << 17  # bytes of a chunk, and chunks of a dataset, that are unpacked here and not by HDF5
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
    for at, packed in zip(places, in_threads(lambda at: _packed(values, at, sides, first), places), strict=True):
        data.id.write_direct_chunk(at, packed)


def read(data: Any) -> np.ndarray:
    """All values of a dataset, in this machine's byte order. ValueError or zlib.error where a chunk is damaged."""
    dtype = data.dtype.newbyteorder("=")
    made = data.id.get_create_plist()
    filters = [made.get_filter(n)[0] for n in range(made.get_nfilters())]
    if filters not in OURS or 0 in data.shape or not _moderate(data):
        return np.asarray(data[()], dtype)
    values = np.full(data.shape, data.fillvalue, dtype) if data.fillvalue else np.zeros(data.shape, dtype)
    shuffled, sides = h5z.FILTER_SHUFFLE in filters, data.chunks

    def unpack(piece: tuple[Place, int, bytes]) -> None:
        at, skipped, packed = piece
        raw = _unpacked(packed, skipped, math.prod(sides), data.dtype.itemsize, shuffled)
        here = tuple(slice(start, start + side) for start, side in zip(at, sides, strict=True))
        into = values[here]
        into[...] = raw.view(data.dtype).reshape(sides)[tuple(slice(0, n) for n in into.shape)]

    for _ in in_threads(unpack, _stored(data)):
        pass
    return values


def _moderate(data: Any) -> bool:
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
    packed = sum(len(piece) for piece in in_threads(lambda at: _packed(values, at, sides), sample))
    return packed < pays * len(sample) * math.prod(sides) * values.dtype.itemsize


def _packed(values: np.ndarray, at: Place, sides: tuple[int, ...], first: Place | None = None) -> bytes:
    """One chunk as HDF5's filters shuffle and gzip make it; around the values, which begin at `first`, lie zeros."""
    from_values = [start - skip for start, skip in zip(at, first or (0,) * len(at), strict=True)]
    piece = values[tuple(slice(max(a, 0), a + side) for a, side in zip(from_values, sides, strict=True))]
    if piece.shape != sides:
        whole = np.zeros(sides, values.dtype)
        whole[tuple(slice(max(-a, 0), max(-a, 0) + n) for a, n in zip(from_values, piece.shape, strict=True))] = piece
        piece = whole
    octets = np.ascontiguousarray(piece).reshape(-1).view(np.uint8)
    if values.dtype.itemsize > 1:
        octets = np.ascontiguousarray(octets.reshape(-1, values.dtype.itemsize).T)
    packer = zlib.compressobj(1, zlib.DEFLATED, zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, zlib.Z_RLE)
    return packer.compress(octets.data) + packer.flush()


def _unpacked(packed: bytes, skipped: int, count: int, itemsize: int, shuffled: bool) -> np.ndarray:
    """The octets of one chunk of `count` numbers; `skipped` is HDF5's mask of filters that were not applied."""
    if skipped:
        raise ValueError("a chunk lacks filters that its dataset names")
    unpacker = zlib.decompressobj()
    octets = unpacker.decompress(packed, count * itemsize + 1)
    if len(octets) != count * itemsize or not unpacker.eof:
        raise ValueError(f"a chunk holds other than {count * itemsize} bytes")
    raw = np.frombuffer(octets, np.uint8)
    return np.ascontiguousarray(raw.reshape(itemsize, count).T).reshape(-1) if shuffled and itemsize > 1 else raw


def _stored(data: Any) -> Iterator[tuple[Place, int, bytes]]:
    """(place, filter mask, packed bytes) of every chunk that is there; one that is not holds the fill value."""
    held = data.id.get_storage_size()
    for at in _places(data.shape, data.chunks):
        info = data.id.get_chunk_info_by_coord(at)
        if info.byte_offset is None:
            continue
        if info.size > held:
            raise ValueError(f"a chunk claims {info.size} bytes; the dataset holds {held}")
        skipped, packed = data.id.read_direct_chunk(at)
        yield at, skipped, packed
