"""Covered fractions on the CPU: one layer of voxels in x at a time, layers in parallel. coverage.py has the rule.

The compiled code is kept in __pycache__ and looked up by the file of the outermost function: after a change in
cutting.py, inner.py, lines.py or openings.py delete this file's entries there.
"""

import numba
import numpy as np
from numpy.typing import NDArray

from lightlathe.part.count import ONE, STEP, Count
from lightlathe.part.cutting import cut_layer
from lightlathe.part.lines import follow_lines
from lightlathe.support.threads import share_out


def count_voxels(count: Count) -> NDArray[np.float32]:
    """(x, y, z) covered fraction, by as many threads as torch uses."""
    nx = count.shape[0]
    first = np.clip(np.floor(count.corners[:, :, 0].min(axis=1)), 0, nx).astype(np.int64)
    last = np.clip(np.floor(count.corners[:, :, 0].max(axis=1)), -1, nx - 1).astype(np.int64)
    last[count.corners[:, :, 2].max(axis=1) <= 0] = -1  # facets below the floor, of a slab most of them: no solid
    starts, members = _by_layer(first, last, nx)
    result = np.zeros(count.shape, dtype=np.float32)

    def layers(first: int, last: int) -> None:
        for i in range(first, last):
            mine = members[starts[i] : starts[i + 1]]
            if len(mine):
                _count_layer(i, mine, count.corners, count.whole, count.shift, count.caps, count.holes, result[i])

    share_out(layers, nx, max_items=1)  # one at a time: a flat end lies in a single layer
    return result


@numba.njit(cache=True)
def _by_layer(first, last, nx):
    """Facets of each layer, in the order of the facets: members[starts[i]:starts[i + 1]]."""
    starts = np.zeros(nx + 1, dtype=np.int64)
    for f in range(len(first)):
        for i in range(first[f], last[f] + 1):
            starts[i + 1] += 1
    starts = np.cumsum(starts)
    members = np.empty(starts[-1], dtype=np.int64)
    filled = starts[:-1].copy()
    for f in range(len(first)):
        for i in range(first[f], last[f] + 1):
            members[filled[i]] = f
            filled[i] += 1
    return starts, members


@numba.njit(cache=True, nogil=True)
def _count_layer(i, mine, corners, whole, shift, caps, holes, result):
    ny, nz = result.shape
    drops = np.zeros((ny, nz), dtype=np.int64)
    touched = np.zeros((ny, nz), dtype=np.bool_)
    extra = np.zeros((ny, nz), dtype=np.int64)
    cut_layer(i, mine, corners, drops, touched)
    follow_lines(i, mine, corners, whole, shift, caps, holes, drops, touched, extra)
    for j in range(ny):
        below = 0
        for k in range(nz - 1, -1, -1):
            below += drops[j, k]
            steps = (below + extra[j, k] + (ONE // STEP) // 2) // (ONE // STEP)
            result[j, k] = min(max(steps, 0), STEP) / STEP
