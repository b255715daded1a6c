"""Crossings of lines along z with the facets of a mesh, for wall thickness and nesting. On the CPU."""

# arrays are made in the second round, which numba and pyright see apart
# pyright: reportPossiblyUnboundVariable=false

import math

import numba
import numpy as np
from numpy.typing import NDArray

from lightlathe.part.lines import row_range, slopes


def crossings(
    corners: NDArray[np.float64], across: int
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Every crossing of closed facets (f, 3, 3) with the lines along z through the middles of unit cells in x and y,
    from 0 to `across` either way: however far the facets reach, no more lines are looked at.

    Returns cell (c, 2), height, side (1 where the facet faces up) and facet of each crossing, line after line, each
    from the top down.
    """
    shift = 29 - math.ceil(math.log2(float(np.abs(corners).max()) + 1))
    corners = np.ascontiguousarray(corners)  # as those of count_cpu.py: one compiled form for both
    whole = np.rint(corners[:, :, :2] * (1 << shift)).astype(np.int64)
    cell, height, side, facet = _all_crossings(corners, whole, shift, across)
    order = np.lexsort((-height, cell[:, 0] * across + cell[:, 1]))
    return cell[order], height[order], side[order], facet[order]


@numba.njit(cache=True)
def _all_crossings(corners, whole, shift, across):
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
            for i in range(max(low >> shift, 0), min((high >> shift) + 1, across)):
                x = (np.int64(i) << shift) + half
                first, last, up = row_range(whole[f], x, half, shift, across)
                if last <= first:
                    continue
                if fill:
                    slope_x, slope_y = slopes(whole[f], corners[f])
                    for j in range(first, last):
                        dx, dy = float(x - whole[f, 0, 0]), float((j << shift) + half - whole[f, 0, 1])
                        cell[total, 0], cell[total, 1], side[total], facet[total] = i, j, up, f
                        height[total] = corners[f, 0, 2] + slope_x * dx + slope_y * dy
                        total += 1
                else:
                    total += last - first
    return cell, height, side, facet


def sides_above(
    points: NDArray[np.float64], corners: NDArray[np.float64], owner: NDArray[np.int64], component: NDArray[np.int64]
) -> NDArray[np.int64]:
    """(p,) sum of the sides of the facets (f, 3, 3) straight above each point: for closed facets, how often they wind
    around it. Facets of the point's own component (component[f] == owner[p]) are left out.
    """
    order = np.argsort(points[:, 0], kind="stable")
    result = np.zeros(len(points), dtype=np.int64)
    result[order] = _sides_above(points[order], corners, owner[order], component)
    return result


@numba.njit(cache=True)
def _sides_above(points, corners, owner, component):
    result = np.zeros(len(points), dtype=np.int64)
    for f in range(len(corners)):
        facet = corners[f]
        low = min(facet[0, 0], facet[1, 0], facet[2, 0])
        high = max(facet[0, 0], facet[1, 0], facet[2, 0])
        for p in range(np.searchsorted(points[:, 0], low), np.searchsorted(points[:, 0], high)):
            if owner[p] == component[f]:
                continue
            x, y = points[p, 0], points[p, 1]
            found, first, last = 0, 0.0, 0.0
            for a in range(3):
                b = a + 1 if a < 2 else 0
                if (facet[a, 0] <= x) != (facet[b, 0] <= x):
                    q, r = (a, b) if facet[a, 0] < facet[b, 0] else (b, a)  # the same sum from both sides of an edge
                    rise = (facet[r, 1] - facet[q, 1]) / (facet[r, 0] - facet[q, 0])
                    first, last = last, facet[q, 1] + rise * (x - facet[q, 0])
                    found += 1
            if found < 2 or not min(first, last) <= y < max(first, last):
                continue
            ux, uy, uz = facet[1, 0] - facet[0, 0], facet[1, 1] - facet[0, 1], facet[1, 2] - facet[0, 2]
            vx, vy, vz = facet[2, 0] - facet[0, 0], facet[2, 1] - facet[0, 1], facet[2, 2] - facet[0, 2]
            nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
            if nz == 0.0:
                continue
            z = facet[0, 2] - (nx * (x - facet[0, 0]) + ny * (y - facet[0, 1])) / nz
            if z > points[p, 2]:
                result[p] += 1 if nz > 0 else -1
    return result
