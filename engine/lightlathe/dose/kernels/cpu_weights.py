"""Weights of voxel columns in one view, for the compiled loops of the CPU kernel: where on the bins each lies, and what
light arrives there."""

import numpy as np

from lightlathe.dose.kernels.cpu_tiles import inner

INVERSES = tuple(1 / k for k in range(13, 0, -1))  # of the series of exp


@inner
def exp_of_negative(x):
    """exp(x) for x <= 0 to a few last digits of float64; written out because a call would not vectorise."""
    x = max(x, -700.0)
    doublings = np.floor(x * 1.4426950408889634 + 0.5)
    x = x - doublings * 0.6931471805599453
    series = 1.0
    for inverse in INVERSES:
        series = 1.0 + series * x * inverse
    return series * np.int64((np.int64(doublings) + 1023) << 52).view(np.float64)


@inner
def in_band(t, optics):
    """The weight of light at t, where views are one of several bands of depth; 1 where they are all."""
    focus, rise_at, rise, fall_at, fall = optics[5:]
    away = abs(t - focus)
    return min(max(min(rise_at + rise * away, fall_at - fall * away), 0.0), 1.0)


@inner
def weigh(x, y, count, cos, sin, bins, optics, low, near, far):
    """Of one view at `count` voxel columns: the lower bin (one dark bin counted at each end), its weight, the next's.

    Returns the first bin that the tile reads and how many.
    """
    bin_mm, middle, radius_mm, absorption_per_mm, gain = optics[:5]
    for p in range(count):
        s, t = x[p] * cos + y[p] * sin, y[p] * cos - x[p] * sin
        place = min(max(s / bin_mm + middle, 0.0), bins + 1.0)
        below = min(np.floor(place), float(bins))
        depth = np.sqrt(max(radius_mm * radius_mm - s * s, 0.0)) + t
        light = gain * exp_of_negative(-absorption_per_mm * max(depth, 0.0)) * in_band(t, optics)
        light = light if (place > 0.0) & (place < bins + 1.0) else 0.0
        low[p] = np.int64(below)
        near[p] = light * (1.0 - (place - below))
        far[p] = light * (place - below)
    first, last = low[0], low[0]
    for p in range(count):
        first, last = min(first, low[p]), max(last, low[p])
    return first, last + 2 - first


@inner
def shape_pixels(count, near, far, profile):
    """Weights of bins that are read linearly become those of a profile of the pixels, which ends within a bin of them.

    profile   its values at even distances from 0 to one bin, linear between them
    """
    knots = len(profile) - 1
    for p in range(count):
        light = np.float64(near[p]) + np.float64(far[p])
        if light != 0:
            place = min(max(far[p] / light, 0.0), 1.0) * knots
            k = min(np.int64(place), knots - 1)
            part = place - k
            near[p] = light * (profile[k] + part * (profile[k + 1] - profile[k]))
            far[p] = light * (profile[knots - k] + part * (profile[knots - k - 1] - profile[knots - k]))


@inner
def weigh_lines(x, y, count, cos, sin, bins, optics, lines, low, near, far):
    """The same for bins that are chords of their own; the search goes on from one voxel column to the next.

    Places are distances to the two chords beside a voxel; the turn between the chords is theirs in that proportion.
    """
    _, _, radius_mm, absorption_per_mm, gain = optics[:5]
    offset, turn, across, along = lines
    k, first, last = 0, bins, 0
    for p in range(count):
        s, t = x[p] * cos + y[p] * sin, y[p] * cos - x[p] * sin
        while k < bins and s * across[k + 1] + t * along[k + 1] >= offset[k + 1]:
            k += 1
        while k > 0 and s * across[k] + t * along[k] < offset[k]:
            k -= 1
        below = s * across[k] + t * along[k] - offset[k]
        above = s * across[k + 1] + t * along[k + 1] - offset[k + 1]
        lit = (below >= 0) & (above < 0)
        part = below / (below - above) if lit else 0.0
        bend = part * (turn[k + 1] - turn[k])
        turned = s * across[k] + t * along[k], t * across[k] - s * along[k]
        s, t = turned[0] * np.cos(bend) + turned[1] * np.sin(bend), turned[1] * np.cos(bend) - turned[0] * np.sin(bend)
        depth = np.sqrt(max(radius_mm * radius_mm - s * s, 0.0)) + t
        light = gain * exp_of_negative(-absorption_per_mm * max(depth, 0.0)) * in_band(t, optics) if lit else 0.0
        low[p] = k
        near[p] = light * (1.0 - part)
        far[p] = light * part
        first, last = min(first, k), max(last, k)
    return first, last + 2 - first


@inner
def weigh_view(x, y, count, cos, sin, bins, optics, lines, profile, low, near, far):
    """The weights of one view, whatever its bins are; see `weigh`. lines: empty where there are none; profile: None."""
    if len(lines[0]) > 0:
        return weigh_lines(x, y, count, cos, sin, bins, optics, lines, low, near, far)
    read = weigh(x, y, count, cos, sin, bins, optics, low, near, far)
    if profile is not None:
        shape_pixels(count, near, far, profile)
    return read


@inner
def along_chords(x, y, count, cos, sin, lines, low, near, far, t):
    """Fill in t of every voxel column along the chord through it, with weights as above; the least and the largest."""
    _, turn, across, along = lines
    least, largest = np.inf, -np.inf
    for p in range(count):
        t[p] = y[p] * cos - x[p] * sin
        if len(turn) > 0 and near[p] + far[p] > 0:
            s, k = x[p] * cos + y[p] * sin, low[p]
            bend = far[p] / (near[p] + far[p]) * (turn[k + 1] - turn[k])
            s, t_low = s * across[k] + t[p] * along[k], t[p] * across[k] - s * along[k]
            t[p] = t_low * np.cos(bend) - s * np.sin(bend)
        least, largest = min(least, t[p]), max(largest, t[p])
    return least, largest
