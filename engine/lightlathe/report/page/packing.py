"""Arrays inside a page: deflated (RFC 1950) and base64, which `assets/data.js` unpacks, and how coarse they must be."""

import base64
import math
import zlib
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np

Made = TypeVar("Made")
DTYPES = ("uint8", "uint16", "int8", "int16", "float32")  # those that data.js knows


def packed(values: np.ndarray) -> dict[str, Any]:
    """An array of one of DTYPES as plain values: shape, dtype, and its bytes in C order, low byte first."""
    assert values.dtype.name in DTYPES, values.dtype
    octets = np.ascontiguousarray(values, values.dtype.newbyteorder("<")).tobytes()
    deflated = base64.b64encode(zlib.compress(octets, 6)).decode("ascii")
    return {"shape": list(values.shape), "dtype": values.dtype.name, "deflated": deflated}


def packed_indices(values: np.ndarray) -> dict[str, Any]:
    """Whole numbers below 2^30 that lie near the one before, as differences: a quarter of the size of `packed`.

    A difference d becomes 2 d, or -2 d - 1 below 0; its four bytes lie in four planes, the lowest first.
    """
    steps = np.diff(values.ravel().astype(np.int32), prepend=0)
    words = ((steps << 1) ^ (steps >> 31)).astype("<u4")
    return packed(np.ascontiguousarray(words.view(np.uint8).reshape(-1, 4).T))


def characters(tree: Any) -> int:
    """How many characters the packed arrays in a tree of dicts take."""
    if not isinstance(tree, dict):
        return 0
    return len(tree["deflated"]) if "deflated" in tree else sum(map(characters, tree.values()))


def finest(shape: tuple[int, ...], make: Callable[[int], Made], *, most: int, room: int) -> tuple[int, Made]:
    """The smallest step whose arrays fit, and what `make(step)` gave for it.

    shape   of the volume; every `step` voxels along each axis become one
    most    values in one coarse volume
    room    characters that all packed arrays of what is made may take
    """
    step = max(1, math.ceil((math.prod(shape) / most) ** (1 / len(shape)) - 1e-9))
    while math.prod(-(-n // step) for n in shape) > most:
        step += 1
    while True:
        made = make(step)
        taken = characters(made)
        if taken <= room or step >= max(shape):
            return step, made
        step = max(step + 1, int(step * (taken / room) ** (1 / len(shape))))
