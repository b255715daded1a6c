"""Covered fractions on the CPU: one layer of voxels in x at a time, layers in parallel. coverage.py has the rule."""

import math
from concurrent.futures import ThreadPoolExecutor

import numba
import numpy as np
import torch
from numpy.typing import NDArray

from lightlathe.part.coverage import LINE_X, LINE_Y, LINES, ONE, STEP, Count
from lightlathe.part.openings import near_holes, winding_at

MOST = 12  # corners a triangle can have after it is cut by six planes, with room for rounding
X = np.array(LINE_X, dtype=np.int64)
Y = np.array(LINE_Y, dtype=np.int64)


def count_voxels(count: Count) -> NDArray[np.float32]:
    """(x, y, z) covered fraction, by as many threads as torch uses."""
    nx = count.shape[0]
    first = np.clip(np.floor(count.corners[:, :, 0].min(axis=1)), 0, nx).astype(np.int64)
    last = np.clip(np.floor(count.corners[:, :, 0].max(axis=1)), -1, nx - 1).astype(np.int64)
    starts, members = _by_layer(first, last, nx)
    result = np.zeros(count.shape, dtype=np.float32)

    def layer(i: int) -> None:
        mine = members[starts[i] : starts[i + 1]]
        if len(mine):
            _count_layer(i, mine, count.corners, count.whole, count.shift, count.lids, count.holes, result[i])

    with ThreadPoolExecutor(torch.get_num_threads()) as threads:
        for _ in threads.map(layer, range(nx)):
            pass
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
def _count_layer(i, mine, corners, whole, shift, lids, holes, result):
    ny, nz = result.shape
    drops = np.zeros((ny, nz), dtype=np.int64)
    touched = np.zeros((ny, nz), dtype=np.bool_)
    extra = np.zeros((ny, nz), dtype=np.int64)
    _cut_layer(i, mine, corners, drops, touched)
    _lines_of_layer(i, mine, corners, whole, shift, lids, holes, drops, touched, extra)
    for j in range(ny):
        below = 0
        for k in range(nz - 1, -1, -1):
            below += drops[j, k]
            steps = (below + extra[j, k] + (ONE // STEP) // 2) // (ONE // STEP)
            result[j, k] = min(max(steps, 0), STEP) / STEP


@numba.njit(cache=True)
def _drop(row, z, area):
    """Solid of footprint `area` below height z: fills what lies below, adds `drops` that sum up from the top."""
    nz = len(row)
    if z >= nz:
        row[nz - 1] += area
    elif z > 0:
        k = int(z)
        part = round(area * (z - k))
        row[k] += part
        if k > 0:
            row[k - 1] += area - part


@numba.njit(cache=True)
def _cut(polygon, n, axis, at, below, above):
    """Split a convex polygon of n corners at a plane; returns how many corners lie in `below` and in `above`."""
    nb = na = 0
    for c in range(n):
        d = c + 1 if c + 1 < n else 0
        p, q = polygon[c, axis] - at, polygon[d, axis] - at
        if p <= 0:
            for a in range(3):
                below[nb, a] = polygon[c, a]
            nb += 1
        if p >= 0:
            for a in range(3):
                above[na, a] = polygon[c, a]
            na += 1
        if (p < 0 and q > 0) or (q < 0 and p > 0):
            t = p / (p - q)
            for a in range(3):
                between = at if a == axis else polygon[c, a] + t * (polygon[d, a] - polygon[c, a])
                below[nb, a] = between
                above[na, a] = between
            nb += 1
            na += 1
    return nb, na


@numba.njit(cache=True)
def _span(polygon, n, axis):
    low = high = polygon[0, axis]
    for c in range(1, n):
        low = min(low, polygon[c, axis])
        high = max(high, polygon[c, axis])
    return low, high


@numba.njit(cache=True)
def _cut_layer(i, mine, corners, drops, touched):
    """The exact term: every facet of layer i cut into the columns and voxels it crosses."""
    ny = drops.shape[0]
    a, b = np.empty((MOST, 3)), np.empty((MOST, 3))  # two to swap at each cut
    column, p, q = np.empty((MOST, 3)), np.empty((MOST, 3)), np.empty((MOST, 3))
    waste = np.empty((MOST, 3))
    for f in mine:
        for c in range(3):
            for axis in range(3):
                a[c, axis] = corners[f, c, axis]
        _, n = _cut(a, 3, 0, float(i), waste, b)
        n, _ = _cut(b, n, 0, float(i + 1), a, waste)
        if n < 3:
            continue
        low, high = _span(a, n, 1)
        if high <= 0 or low >= ny:
            continue
        j = int(low) if low > 0 else 0
        _, n = _cut(a, n, 1, float(j), waste, b)
        while n >= 3 and j < ny:
            in_column, n = _cut(b, n, 1, float(j + 1), column, a)
            a, b = b, a
            if in_column >= 3:
                _cut_column(column, in_column, drops[j], touched[j], p, q, waste)
            j += 1


@numba.njit(cache=True)
def _cut_column(column, n, drops, touched, p, q, piece):
    """A polygon within one column of voxels: each piece fills its own voxel in part and those below in full."""
    nz = len(drops)
    low, high = _span(column, n, 2)
    if high <= 0:
        return
    k = int(low) if low > 0 else 0
    _, n = _cut(column, n, 2, float(k), piece, p)
    while n >= 3:
        if k < nz:
            in_voxel, n = _cut(p, n, 2, float(k + 1), piece, q)
            p, q = q, p
            if in_voxel >= 3:
                area, volume = _prism(piece, in_voxel, float(k))
                drops[k] += volume
                if k > 0:
                    drops[k - 1] += area - volume
                touched[k] = True
        else:  # all that is left lies above the grid
            area, _ = _prism(p, n, float(nz))
            drops[nz - 1] += area
            return
        k += 1


@numba.njit(cache=True)
def _prism(polygon, n, floor):
    """Signed footprint of a flat polygon, and signed volume between it and z = floor, in 2^-40 voxels."""
    area = volume = 0.0
    x, y, z = polygon[0, 0], polygon[0, 1], polygon[0, 2]
    for c in range(1, n - 1):
        ux, uy = polygon[c, 0] - x, polygon[c, 1] - y
        vx, vy = polygon[c + 1, 0] - x, polygon[c + 1, 1] - y
        part = (ux * vy - uy * vx) / 2
        area += part
        volume += part * ((z + polygon[c, 2] + polygon[c + 1, 2]) / 3 - floor)
    return np.int64(round(area * ONE)), np.int64(round(volume * ONE))


@numba.njit(cache=True)
def _meets(xa, ya, xb, yb, x):
    """The whole y at or above which a line at whole x lies beyond the edge a-b. Exact, and the same from both sides."""
    if xa > xb:
        xa, ya, xb, yb = xb, yb, xa, ya
    return ya - (-(yb - ya) * (x - xa)) // (xb - xa)


@numba.njit(cache=True)
def _row_range(facet, x, y, shift, ny):
    """Lines at whole x with in-voxel offset y that the facet owns: first row, one beyond the last, side."""
    first = last = 0
    found = 0
    for a in range(3):
        b = a + 1 if a < 2 else 0
        if (facet[a, 0] <= x) != (facet[b, 0] <= x):
            at = _meets(facet[a, 0], facet[a, 1], facet[b, 0], facet[b, 1], x)
            row = -((y - at) >> shift)  # ceiling of (at - y) / 2^shift
            if found == 0:
                first = row
            else:
                last = row
            found += 1
    if found < 2 or first == last:
        return 0, 0, 0
    if first > last:
        first, last = last, first
    ax, ay = facet[1, 0] - facet[0, 0], facet[1, 1] - facet[0, 1]
    bx, by = facet[2, 0] - facet[0, 0], facet[2, 1] - facet[0, 1]
    side = 1 if ax * by - ay * bx > 0 else -1
    return max(first, 0), min(last, ny), side


@numba.njit(cache=True)
def _lines_of_layer(i, mine, corners, whole, shift, lids, holes, drops, touched, extra):
    """The sampled term: 16 lines along z for each column of layer i."""
    ny = len(drops)
    counts = np.zeros(ny + 1, dtype=np.int64)
    solid = np.full(extra.shape, -1, dtype=np.int8)  # of untouched voxels, looked up once for all lines
    for line in range(LINES):
        x = (np.int64(i) << shift) + (X[line] << (shift - 5))
        y = Y[line] << (shift - 5)
        counts[:] = 0
        for f in mine:
            first, last, _ = _row_range(whole[f], x, y, shift, ny)
            for j in range(first, last):
                counts[j + 1] += 1
        starts = np.cumsum(counts)
        heights = np.empty(starts[-1])
        sides = np.empty(starts[-1], dtype=np.int64)
        filled = starts[:-1].copy()
        for f in mine:
            first, last, side = _row_range(whole[f], x, y, shift, ny)
            if first >= last:
                continue
            slope_x, slope_y = _slopes(whole[f], corners[f], shift)
            low = min(corners[f, 0, 2], corners[f, 1, 2], corners[f, 2, 2])
            high = max(corners[f, 0, 2], corners[f, 1, 2], corners[f, 2, 2])
            for j in range(first, last):
                dx = float(x - whole[f, 0, 0])
                dy = float((np.int64(j) << shift) + y - whole[f, 0, 1])
                z = corners[f, 0, 2] + slope_x * dx + slope_y * dy
                heights[filled[j]] = min(max(z, low), high)
                sides[filled[j]] = side
                filled[j] += 1
        for j in range(ny):
            a, b = starts[j], starts[j + 1]
            if len(lids) == 0:
                if b > a:
                    _sort_down(heights[a:b], sides[a:b])
                    _closed_line(heights[a:b], sides[a:b], drops[j])
            else:
                _sort_down(heights[a:b], sides[a:b])
                where = i + X[line] / 32, j + Y[line] / 32, i, j
                _open_line(heights[a:b], sides[a:b], lids, holes, where, touched[j], solid[j], extra[j])


@numba.njit(cache=True)
def _slopes(whole, corner, shift):
    """Rise of the facet's plane in z per whole step of x and of y."""
    ax, ay = float(whole[1, 0] - whole[0, 0]), float(whole[1, 1] - whole[0, 1])
    bx, by = float(whole[2, 0] - whole[0, 0]), float(whole[2, 1] - whole[0, 1])
    az, bz = corner[1, 2] - corner[0, 2], corner[2, 2] - corner[0, 2]
    area = ax * by - ay * bx
    return (az * by - bz * ay) / area, (ax * bz - bx * az) / area


@numba.njit(cache=True)
def _sort_down(heights, sides):
    """Insertion sort, highest first; a line has few crossings."""
    for c in range(1, len(heights)):
        z, side = heights[c], sides[c]
        d = c
        while d > 0 and heights[d - 1] < z:
            heights[d], sides[d] = heights[d - 1], sides[d - 1]
            d -= 1
        heights[d], sides[d] = z, side


@numba.njit(cache=True)
def _closed_line(heights, sides, row):
    """Take back what n counts beyond 0 or 1: walk down, n grows by the side of each facet passed."""
    n = 0
    for c in range(len(heights)):
        after = n + sides[c]
        change = ((1 if after >= 1 else 0) - after) - ((1 if n >= 1 else 0) - n)
        if change:
            _drop(row, heights[c], change * (ONE // LINES))
        n = after


@numba.njit(cache=True)
def _open_line(heights, sides, lids, holes, where, touched, solid, extra):
    """The same with w = n - (winding number of the lids), looked up once for each stretch within a voxel."""
    x, y, i, j = where
    n = 0
    top = float(len(extra))
    for c in range(len(heights) + 1):
        bottom = max(heights[c], 0.0) if c < len(heights) else 0.0
        k = min(math.ceil(top), len(extra)) - 1
        while k >= 0 and top > bottom:
            low = max(bottom, float(k))
            if top > low:
                if touched[k]:
                    inside = _inside(n, x, y, (top + low) / 2, lids, holes)
                else:
                    if solid[k] < 0:
                        solid[k] = _inside(n, i + 0.5, j + 0.5, k + 0.5, lids, holes)
                    inside = solid[k] == 1
                extra[k] += round(((1 if inside else 0) - n) * (top - low) * (ONE // LINES))
            top = min(top, low)
            k -= 1
        top = min(top, bottom)
        if c < len(heights):
            n += sides[c]


@numba.njit(cache=True)
def _inside(n, x, y, z, lids, holes):
    """Whether w > 1/2, where n is the winding number of the mesh with its lids. Away from the holes n alone tells."""
    if not near_holes(x, y, z, holes):
        return n >= 1
    return n - winding_at(x, y, z, lids) > 0.5


def crossings(
    corners: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Every crossing of closed facets (f, 3, 3) with the lines along z through the middles of unit cells in x and y.

    Returns cell (c, 2), height, side (1 where the facet faces up) and facet of each crossing, line after line, each
    from the top down.
    """
    shift = 29 - math.ceil(math.log2(float(np.abs(corners).max()) + 1))
    whole = np.rint(corners[:, :, :2] * (1 << shift)).astype(np.int64)
    cell, height, side, facet = _all_crossings(corners, whole, shift)
    order = np.lexsort((-height, cell[:, 1], cell[:, 0]))
    return cell[order], height[order], side[order], facet[order]


@numba.njit(cache=True)
def _all_crossings(corners, whole, shift):
    half = np.int64(1) << (shift - 1)
    total = 0
    for fill in range(2):
        if fill:
            cell = np.empty((total, 2), dtype=np.int64)
            height = np.empty(total)
            side = np.empty(total, dtype=np.int64)
            facet = np.empty(total, dtype=np.int64)
        total = 0
        for f in range(len(corners)):
            low = min(whole[f, 0, 0], whole[f, 1, 0], whole[f, 2, 0])
            high = max(whole[f, 0, 0], whole[f, 1, 0], whole[f, 2, 0])
            for i in range(low >> shift, (high >> shift) + 1):
                x = (np.int64(i) << shift) + half
                first, last, up = _row_range(whole[f], x, half, shift, np.int64(1) << 40)
                if last <= first:
                    continue
                if fill:
                    slope_x, slope_y = _slopes(whole[f], corners[f], shift)
                    for j in range(first, last):
                        dx, dy = float(x - whole[f, 0, 0]), float((j << shift) + half - whole[f, 0, 1])
                        cell[total, 0], cell[total, 1], side[total], facet[total] = i, j, up, f
                        height[total] = corners[f, 0, 2] + slope_x * dx + slope_y * dy
                        total += 1
                else:
                    total += last - first
    return cell, height, side, facet
