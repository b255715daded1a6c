"""The exact term of coverage, on the CPU: facets cut at the voxel faces, each piece an upright prism down to the floor.

Solid below an upward facet counts, solid below a downward one is taken off. A piece fills its own voxel in part and all
voxels below it in full; rows of `drops` hold differences that sum up from the top.
"""

import numpy as np

from lightlathe.part.count import ONE
from lightlathe.part.inner import inner

# axes and counts as compiled functions take them: of a number in their text they make a version of their own
X, Y, Z, THREE = np.int64(0), np.int64(1), np.int64(2), np.int64(3)
MAX_CORNERS = 12  # of a triangle cut by six planes, with a reserve for rounding


@inner
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


@inner
def _span(polygon, n, axis):
    low = high = polygon[0, axis]
    for c in range(1, n):
        low = min(low, polygon[c, axis])
        high = max(high, polygon[c, axis])
    return low, high


@inner
def cut_layer(i, mine, corners, drops, touched):
    """The exact term: every facet of layer i cut into the columns and voxels it crosses."""
    ny = drops.shape[0]
    a, b = np.empty((MAX_CORNERS, 3)), np.empty((MAX_CORNERS, 3))  # two to swap at each cut
    column, p, q = np.empty((MAX_CORNERS, 3)), np.empty((MAX_CORNERS, 3)), np.empty((MAX_CORNERS, 3))
    waste = np.empty((MAX_CORNERS, 3))
    for f in mine:
        for c in range(3):
            for axis in range(3):
                a[c, axis] = corners[f, c, axis]
        _, n = _cut(a, THREE, X, float(i), waste, b)
        n, _ = _cut(b, n, X, float(i + 1), a, waste)
        if n < 3:
            continue
        low, high = _span(a, n, Y)
        if high <= 0 or low >= ny:
            continue
        j = int(low) if low > 0 else 0
        _, n = _cut(a, n, Y, float(j), waste, b)
        while n >= 3 and j < ny:
            in_column, n = _cut(b, n, Y, float(j + 1), column, a)
            a, b = b, a
            if in_column >= 3:
                _cut_column(column, in_column, drops[j], touched[j], p, q, waste)
            j += 1


@inner
def _cut_column(column, n, drops, touched, p, q, piece):
    """A polygon within one column of voxels: each piece fills its own voxel in part and those below in full."""
    nz = len(drops)
    low, high = _span(column, n, Z)
    if high <= 0:
        return
    k = int(low) if low > 0 else 0
    _, n = _cut(column, n, Z, float(k), piece, p)
    while n >= 3:
        if k < nz:
            in_voxel, n = _cut(p, n, Z, float(k + 1), piece, q)
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


@inner
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
