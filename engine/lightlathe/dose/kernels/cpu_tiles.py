"""What the compiled loops of the CPU kernel work on: tiles of voxel columns, rows of the numbers of SLICES slices.

A tile is TILE x TILE voxel columns; its rows are copied side by side first, because rows a power of two apart would
share a few cache lines.
"""

import numpy as np
from numba import njit

TILE = 24
SLICES = 64  # one row of numbers: 4 registers of 16 float32 where the machine has AVX-512

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})
# called by compiled functions alone: kept within those; without entries for Python they take less time to compile
inner = njit(error_model="numpy", fastmath={"contract"}, no_cpython_wrapper=True, no_cfunc_wrapper=True)  # pyright: ignore[reportCallIssue]


@inner
def rows_of_zeros(count, like):
    """(count, SLICES) zeros of the dtype of `like`, starting on a cache line."""
    size = like.itemsize
    memory = np.zeros(count * SLICES + 64 // size, like.dtype)
    skip = (-memory.ctypes.data % 64) // size
    return memory[skip : skip + count * SLICES].reshape(count, SLICES)


@inner
def columns_of(tile, x, y, radius_mm, i, j, x_in, y_in):
    """The voxel columns of a tile that lie in the resin, by number and by place; returns how many."""
    count = 0
    for a in range(tile[0], min(tile[0] + TILE, len(x))):
        for b in range(tile[1], min(tile[1] + TILE, len(y))):
            if x[a] * x[a] + y[b] * y[b] <= radius_mm * radius_mm * (1 + 1e-12):
                i[count], j[count], x_in[count], y_in[count] = a, b, x[a], y[b]
                count += 1
    return count


@inner
def fetch(rows, r, array, a, b, z, length):
    """Copy array[a, b, z : z + length] into rows[r]. r, z and length are unsigned: no index counts from the end."""
    for k in range(length):
        rows[r, k] = array[a, b, z + k]


@inner
def lit(rows, first, last):
    """True if any number of rows first to last is not 0; fast where most are not."""
    for r in range(first, last):
        for k in range(SLICES):
            if rows[r, k] != 0:
                return True
    return False
