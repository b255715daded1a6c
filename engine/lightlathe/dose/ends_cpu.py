"""The compiled search for the ends of chords: every segment of an insert's outline against the chords that cross it."""

import numpy as np
from numba import njit

TOUCHES = 1e-9  # mm: a chord that passes a segment's end no further outside crosses it, so none slips between two

fast = njit(nogil=True, cache=True, error_model="numpy")


@fast
def crossing(s, s0, t0, s1, t1):
    """The t at which a chord at s crosses the segment from (s0, t0) to (s1, t1), which it touches at least."""
    if abs(s1 - s0) <= TOUCHES:
        return min(t0, t1)
    share = min(max((s - s0) / (s1 - s0), 0.0), 1.0)
    return t0 + share * (t1 - t0)


@fast
def of_parallel(found, x, y, start, cos, sin, first_mm, bin_mm):
    """Lower found (angle, bin, class) to the t at which chords of parallel bins cross the first segment of each class.

    x, y (segment, 2)   ends of the segments; start[c] to start[c + 1] are class c's. first_mm   s of the first bin
    """
    angles, bins, classes = found.shape
    for a in range(angles):
        c, n = cos[a], sin[a]
        for k in range(classes):
            for p in range(start[k], start[k + 1]):
                s0, s1 = x[p, 0] * c + y[p, 0] * n, x[p, 1] * c + y[p, 1] * n
                t0, t1 = y[p, 0] * c - x[p, 0] * n, y[p, 1] * c - x[p, 1] * n
                low = max(int(np.ceil((min(s0, s1) - TOUCHES - first_mm) / bin_mm)), 0)
                high = min(int(np.floor((max(s0, s1) + TOUCHES - first_mm) / bin_mm)), bins - 1)
                for b in range(low, high + 1):
                    found[a, b, k] = min(found[a, b, k], crossing(first_mm + b * bin_mm, s0, t0, s1, t1))


@fast
def of_lines(found, x, y, start, angle, offset, turn):
    """The same for bins that are chords of their own, each seen along its own direction."""
    angles, bins, classes = found.shape
    for a in range(angles):
        for b in range(bins):
            c, n = np.cos(angle[a] + turn[b]), np.sin(angle[a] + turn[b])
            for k in range(classes):
                for p in range(start[k], start[k + 1]):
                    s0, s1 = x[p, 0] * c + y[p, 0] * n, x[p, 1] * c + y[p, 1] * n
                    if min(s0, s1) - TOUCHES <= offset[b] <= max(s0, s1) + TOUCHES:
                        t0, t1 = y[p, 0] * c - x[p, 0] * n, y[p, 1] * c - x[p, 1] * n
                        found[a, b, k] = min(found[a, b, k], crossing(offset[b], s0, t0, s1, t1))
