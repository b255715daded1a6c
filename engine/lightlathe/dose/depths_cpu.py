"""The compiled search for every crossing of chords with the outlines of inserts.

A chord at s crosses a segment where one of its ends lies at or below s and the other above. Segments that meet share
the bits of their common end, so each chord crosses a closed outline an even number of times, and no insert leaks.
"""

import numpy as np
from numba import njit

fast = njit(nogil=True, cache=True, error_model="numpy")  # no contraction: an end of two segments gives s twice alike


@fast
def of_parallel(number, start, t, x, y, first, cos, sin, first_mm, bin_mm):
    """Count the crossings of chords of parallel bins: number (angle, bin, section), from 0. Lists them too where `t`
    is not empty, those of chord i from start[i] on.

    x, y (segment, 2)   ends of the segments; first[k] to first[k + 1] are section k's. first_mm   s of the first bin
    """
    angles, bins, sections = number.shape
    for a in range(angles):
        c, n = cos[a], sin[a]
        for k in range(sections):
            for p in range(first[k], first[k + 1]):
                s0, s1 = x[p, 0] * c + y[p, 0] * n, x[p, 1] * c + y[p, 1] * n
                t0, t1 = y[p, 0] * c - x[p, 0] * n, y[p, 1] * c - x[p, 1] * n
                low = max(int(np.ceil((min(s0, s1) - first_mm) / bin_mm)) - 1, 0)
                high = min(int(np.floor((max(s0, s1) - first_mm) / bin_mm)) + 1, bins - 1)
                for b in range(low, high + 1):
                    s = first_mm + b * bin_mm
                    if (s0 <= s) != (s1 <= s):
                        if len(t) > 0:
                            i = (a * bins + b) * sections + k
                            t[start[i] + number[a, b, k]] = t0 + (s - s0) / (s1 - s0) * (t1 - t0)
                        number[a, b, k] += 1


@fast
def of_lines(number, start, t, x, y, first, angle, offset, turn):
    """The same for bins that are chords of their own, each seen along its own direction."""
    angles, bins, sections = number.shape
    for a in range(angles):
        for b in range(bins):
            c, n, s = np.cos(angle[a] + turn[b]), np.sin(angle[a] + turn[b]), offset[b]
            for k in range(sections):
                for p in range(first[k], first[k + 1]):
                    s0, s1 = x[p, 0] * c + y[p, 0] * n, x[p, 1] * c + y[p, 1] * n
                    if (s0 <= s) != (s1 <= s):
                        t0, t1 = y[p, 0] * c - x[p, 0] * n, y[p, 1] * c - x[p, 1] * n
                        if len(t) > 0:
                            i = (a * bins + b) * sections + k
                            t[start[i] + number[a, b, k]] = t0 + (s - s0) / (s1 - s0) * (t1 - t0)
                        number[a, b, k] += 1


@fast
def sort_lists(start, t):
    """Sort each list, t[start[i] : start[i + 1]], in place: they are short."""
    for i in range(len(start) - 1):
        for n in range(start[i] + 1, start[i + 1]):
            value, m = t[n], n
            while m > start[i] and t[m - 1] > value:
                t[m] = t[m - 1]
                m -= 1
            t[m] = value


@fast
def delay(latest, start, enter, leave, start_beside, enter_beside, leave_beside, limit_mm):
    """Raise `latest` to where the chords beside enter the same surface as each interval `enter` to `leave` does.

    That is where the first interval of the chord beside that ends behind `enter` begins, no more than limit_mm later.
    """
    for i in range(len(start) - 1):
        for n in range(start[i], start[i + 1]):
            for m in range(start_beside[i], start_beside[i + 1]):
                if leave_beside[m] > enter[n]:
                    if enter_beside[m] <= enter[n] + limit_mm:
                        latest[n] = max(latest[n], enter_beside[m])
                    break
