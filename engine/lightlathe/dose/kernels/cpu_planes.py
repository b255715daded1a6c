"""Lines of planes onto slices and back, for the compiled loops of rows that spread with depth; see cpu_spread_loops.py.

Resampling a line of planes is a sum of shifted copies of it under weights: where slices are about as far apart as
planes, the numbers of the planes that a block of slices reads differ from theirs by a few values only.
"""

import numpy as np

from lightlathe.dose.kernels.cpu_tiles import SLICES, inner
from lightlathe.dose.kernels.cpu_vectors import SHIFTS, add_copies, add_copies_back


@inner
def read_at(first, step, number, z, length, heights, moved, numbers, weight, start):
    """Where the slices z to z + length read the planes at every node.

    numbers, weight   (node, SLICES) number of the lower plane in the line; (node * SHIFTS, SLICES or REACH) the
                      weights of shifted copies, or in the first row of a node the share of the upper plane
    moved             1 where those of copy c are moved c to the right, for the way back; else 0
    start             (node, 2) first shift and how many copies; 0 of them where slices are read one by one
    Returns the first plane of the line that they are read from, and how many it has.
    """
    at_zero, pupil, growth = heights
    low, high = np.inf, -np.inf
    for n in range(number):
        shrinks = first + n * step
        for k in (0, length - 1):
            place = at_zero + (z + k - pupil) * growth * shrinks
            low, high = min(low, np.floor(place)), max(high, np.floor(place))
    base = np.int64(low) - SHIFTS  # copies may start before what is read, under weights of 0
    for n in range(number):
        shrinks = first + n * step
        for k in range(length):
            place = at_zero + (z + k - pupil) * growth * shrinks
            below = np.floor(place)
            numbers[n, k] = np.int64(below) - base
            weight[n * SHIFTS, k] = place - below
        ends = numbers[n, 0], numbers[n, length - 1] - (length - 1)
        shift, copies = min(ends[0], ends[1]), abs(ends[0] - ends[1]) + 2
        start[n, 0], start[n, 1] = shift, copies if (copies <= SHIFTS) & (shift >= 0) else 0
        if start[n, 1] > 0:
            weight[n * SHIFTS : n * SHIFTS + copies] = 0
            for k in range(length):
                place = at_zero + (z + k - pupil) * growth * shrinks
                row = n * SHIFTS + numbers[n, k] - k - shift
                share = place - np.floor(place)
                weight[row, k + moved * (row - n * SHIFTS)] = 1 - share
                weight[row + 1, k + moved * (row + 1 - n * SHIFTS)] = share
    return base, np.int64(high) + 2 - base


@inner
def on_slices(lines, bins, strip, row, n, numbers, weight, start, length):
    """strip[row + r] = the planes of line r as the slices read them at node n, for each of some bins."""
    if start[n, 1] > 0:
        add_copies(strip, row, lines, start[n, 0], lines.shape[1], bins, weight, n * SHIFTS, start[n, 1])  # pyright: ignore[reportCallIssue]
        return
    for r in range(bins):
        for k in range(length):
            share = weight[n * SHIFTS, k]
            strip[row + r, k] = (1 - share) * lines[r, numbers[n, k]] + share * lines[r, numbers[n, k] + 1]
        for k in range(length, SLICES):
            strip[row + r, k] = 0


@inner
def on_planes(lines, bins, strip, row, n, numbers, weight, start, length):
    """The transpose: line r += what the slices of strip[row + r] read of it at node n."""
    if start[n, 1] > 0:
        add_copies_back(lines, start[n, 0], lines.shape[1], strip, row, bins, weight, n * SHIFTS, start[n, 1])  # pyright: ignore[reportCallIssue]
        return
    for r in range(bins):
        for k in range(length):
            share = weight[n * SHIFTS, k]
            lines[r, numbers[n, k]] += (1 - share) * strip[row + r, k]
            lines[r, numbers[n, k] + 1] += share * strip[row + r, k]


@inner
def planes_of(lines, r, light, a, b, at, base, wide, planes):
    """lines[r] = planes base to base + wide of light[a, b, at :], dark beyond both ends; True if any is lit."""
    first, last = max(base, 0), min(base + wide, planes)
    lines[r] = 0
    bright = False
    if first < last:
        here, there = np.uint64(first - base), np.uint64(at + first)
        for k in range(np.uint64(last - first)):
            lines[r, here + k] = light[a, b, there + k]
            bright = bright | (lines[r, here + k] != 0)
    return bright


@inner
def add_planes(light, a, b, at, lines, r, base, wide, planes):
    """The transpose: light[a, b, at :] += lines[r], planes base to base + wide."""
    first, last = max(base, 0), min(base + wide, planes)
    if first < last:
        here, there = np.uint64(first - base), np.uint64(at + first)
        for k in range(np.uint64(last - first)):
            light[a, b, there + k] += lines[r, here + k]
