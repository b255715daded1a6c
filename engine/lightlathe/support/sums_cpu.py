"""The compiled loops of sums.py: one partial sum per block of numbers, whichever thread takes the block.

Inside a block the compiler may add in an order of its own (`reassoc`), the same for every block and thread.
"""

from collections.abc import Callable

import numpy as np
from numba import njit

from lightlathe.support.threads import share_out

BLOCK = 2**14  # numbers of a flat array that one partial sum covers
ROWS = 256  # rows that one partial sum of columns covers
BLOCKS_PER_CHUNK = 16  # blocks that a thread takes at a time

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc"})


def total(x: np.ndarray) -> float:
    """Sum of a flat array, in float64."""
    partial = np.zeros(-(-len(x) // BLOCK))
    _shared(lambda first, last: add_up(x, partial, first, last), len(partial))
    return in_turn(partial)


def dot(a: np.ndarray, b: np.ndarray) -> float:
    """Inner product of two flat arrays, in float64."""
    partial = np.zeros(-(-len(a) // BLOCK))
    _shared(lambda first, last: multiply_up(a, b, partial, first, last), len(partial))
    return in_turn(partial)


def columns(x: np.ndarray) -> np.ndarray:
    """(column,) float64: sums over the rows of (row, column)."""
    partial = np.zeros((-(-len(x) // ROWS), x.shape[1]))
    _shared(lambda first, last: add_rows_up(x, partial, first, last), len(partial))
    return rows_in_turn(partial)


def _shared(work: Callable[[int, int], None], blocks: int) -> None:
    if blocks <= BLOCKS_PER_CHUNK:  # done before a thread would start
        work(0, blocks)
    else:
        share_out(work, blocks, max_items=BLOCKS_PER_CHUNK)


@fast
def add_up(x, partial, first, last):
    for block in range(first, last):
        found, numbers = 0.0, x[block * BLOCK : (block + 1) * BLOCK]
        for k in range(len(numbers)):  # from 0 on: an index that might count from the end would not vectorise
            found += numbers[k]
        partial[block] = found


@fast
def multiply_up(a, b, partial, first, last):
    for block in range(first, last):
        found, ones, others = 0.0, a[block * BLOCK : (block + 1) * BLOCK], b[block * BLOCK : (block + 1) * BLOCK]
        for k in range(len(ones)):
            found += np.float64(ones[k]) * np.float64(others[k])
        partial[block] = found


@fast
def add_rows_up(x, partial, first, last):
    for block in range(first, last):
        rows = x[block * ROWS : (block + 1) * ROWS]
        for row in range(len(rows)):
            for column in range(x.shape[1]):
                partial[block, column] += rows[row, column]


@fast
def in_turn(partial):
    found = 0.0
    for block in range(len(partial)):
        found += partial[block]
    return found


@fast
def rows_in_turn(partial):
    found = np.zeros(partial.shape[1])
    for block in range(len(partial)):
        for column in range(partial.shape[1]):
            found[column] += partial[block, column]
    return found
