"""The sampled term of coverage, on the CPU: lines along z, and the facets they cross.

Positions in x and y are whole numbers, so that whether a line meets a facet is decided exactly: a facet owns its lower
edges only, and two facets that share an edge ask the same question about it.
"""

import math

import numpy as np

from lightlathe.part.count import LINE_X, LINE_Y, LINES, ONE
from lightlathe.part.inner import inner
from lightlathe.part.openings import near_holes, winding_at

X = np.array(LINE_X, dtype=np.int64)
Y = np.array(LINE_Y, dtype=np.int64)
NONE = np.int64(0)  # of a 0 in their text compiled functions make a version of their own


@inner
def _meets(xa, ya, xb, yb, x):
    """The whole y at or above which a line at whole x lies beyond the edge a-b. Exact, and the same from both sides."""
    if xa > xb:
        xa, ya, xb, yb = xb, yb, xa, ya
    return ya - (-(yb - ya) * (x - xa)) // (xb - xa)


@inner
def row_range(facet, x, y, shift, ny):
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


@inner
def follow_lines(i, mine, corners, whole, shift, caps, holes, drops, touched, extra):
    """The sampled term: 16 lines along z for each column of layer i."""
    ny = len(drops)
    counts = np.zeros(ny + 1, dtype=np.int64)
    solid = np.full(extra.shape, -1, dtype=np.int8)  # of untouched voxels, looked up once for all lines
    for line in range(LINES):
        x = (np.int64(i) << shift) + (X[line] << (shift - 5))
        y = Y[line] << (shift - 5)
        counts[:] = 0
        for f in mine:
            first, last, _ = row_range(whole[f], x, y, shift, ny)
            for j in range(first, last):
                counts[j + 1] += 1
        starts = np.cumsum(counts)
        heights = np.empty(starts[-1])
        sides = np.empty(starts[-1], dtype=np.int64)
        filled = starts[:-1].copy()
        for f in mine:
            first, last, side = row_range(whole[f], x, y, shift, ny)
            if first >= last:
                continue
            slope_x, slope_y = slopes(whole[f], corners[f])
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
            if len(caps) == 0:
                if b > a:
                    _sort_down(heights[a:b], sides[a:b])
                    _closed_line(heights[a:b], sides[a:b], drops[j])
            else:
                _sort_down(heights[a:b], sides[a:b])
                where = i + X[line] / 32, j + Y[line] / 32, i, j
                _open_line(heights[a:b], sides[a:b], caps, holes, where, touched[j], solid[j], extra[j])


@inner
def slopes(whole, corner):
    """Rise of the facet's plane in z per whole step of x and of y."""
    ax, ay = float(whole[1, 0] - whole[0, 0]), float(whole[1, 1] - whole[0, 1])
    bx, by = float(whole[2, 0] - whole[0, 0]), float(whole[2, 1] - whole[0, 1])
    az, bz = corner[1, 2] - corner[0, 2], corner[2, 2] - corner[0, 2]
    area = ax * by - ay * bx
    return (az * by - bz * ay) / area, (ax * bz - bx * az) / area


@inner
def _sort_down(heights, sides):
    """Insertion sort, highest first; a line has few crossings."""
    for c in range(1, len(heights)):
        z, side = heights[c], sides[c]
        d = c
        while d > 0 and heights[d - 1] < z:
            heights[d], sides[d] = heights[d - 1], sides[d - 1]
            d -= 1
        heights[d], sides[d] = z, side


@inner
def _closed_line(heights, sides, row):
    """Take back what n counts beyond 0 or 1: walk down, n grows by the side of each facet passed."""
    n = 0
    for c in range(len(heights)):
        after = n + sides[c]
        change = ((1 if after >= 1 else 0) - after) - ((1 if n >= 1 else 0) - n)
        if change:
            _drop(row, heights[c], change * (ONE // LINES))
        n = after


@inner
def _open_line(heights, sides, caps, holes, where, touched, solid, extra):
    """The same with w = n - (winding number of the caps), looked up once for each stretch within a voxel."""
    x, y, i, j = where
    n = NONE
    top = float(len(extra))
    for c in range(len(heights) + 1):
        bottom = max(heights[c], 0.0) if c < len(heights) else 0.0
        k = min(math.ceil(top), len(extra)) - 1
        while k >= 0 and top > bottom:
            low = max(bottom, float(k))
            if top > low:
                if touched[k]:
                    inside = _inside(n, x, y, (top + low) / 2, caps, holes)
                else:
                    if solid[k] < 0:
                        solid[k] = _inside(n, i + 0.5, j + 0.5, k + 0.5, caps, holes)
                    inside = solid[k] == 1
                extra[k] += round(((1 if inside else 0) - n) * (top - low) * (ONE // LINES))
            top = min(top, low)
            k -= 1
        top = min(top, bottom)
        if c < len(heights):
            n += sides[c]


@inner
def _inside(n, x, y, z, caps, holes):
    """Whether w > 1/2, where n is the winding number of the mesh with its caps. Away from the holes n alone tells."""
    if not near_holes(x, y, z, holes):
        return n >= 1
    return n - winding_at(x, y, z, caps) > 0.5


@inner
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
