"""What inserts leave of the light of chords, for the compiled loops of the CPU kernels.

`lists` is (start, enter, per_mm, depth, soonest, first bin, bins, classes), see Lists in dose/depths.py.
"""

from lightlathe.dose.kernels.cpu_loops import SLICES, exp_of_negative, inner

DARK = 700.0  # an optical depth from which on nothing is left
NONE = -1  # no chord
SLOTS = 6  # intervals of a chord that may change within a tile, side by side; where more do, slice by slice
TOO_MANY = -1


@inner
def left_of(depth):
    """exp(-depth)"""
    return exp_of_negative(-depth) if depth < DARK else 0.0


@inner
def transmittance(lists, chord, t):
    """What inserts have left at t of the light of a chord."""
    start, enter, per_mm, depth = lists[:4]
    total = 0.0
    for n in range(start[chord], start[chord + 1]):
        total += depth[n] * min(max((t - enter[n]) * per_mm[n], 0.0), 1.0)
    return left_of(total)


@inner
def over_tile(lists, chord, least, largest):
    """The transmittance of a chord over all of a tile, and whether it changes within."""
    start, enter, per_mm, depth = lists[:4]
    total, changes = 0.0, False
    if chord == NONE:
        return 1.0, False
    for n in range(start[chord], start[chord + 1]):
        before = min(max((least - enter[n]) * per_mm[n], 0.0), 1.0)
        changes = changes or before != min(max((largest - enter[n]) * per_mm[n], 0.0), 1.0)
        total += depth[n] * before
    return left_of(total), changes


@inner
def chord_of(lists, a, b, k):
    """The number of the chord of view a, bin b and class k; NONE where it meets nothing."""
    start, first, bins, classes = lists[0], lists[5], lists[6], lists[7]
    e = b - first
    if k < 0 or not 0 <= e < bins:
        return NONE
    chord = (a * bins + e) * classes + k
    return chord if start[chord] < start[chord + 1] else NONE


@inner
def in_slices(lists, a, b, which, z, length, least, largest, before, slots):
    """Of one bin in each slice of a block: the transmittance before what changes within the tile, and that.

    before   (SLICES,) filled in
    slots    (SLOTS, 3, SLICES): enter, per_mm and depth of the intervals that change; other slices have depth 0
    Returns how many slots are used, or TOO_MANY.
    """
    start, enter, per_mm, depth = lists[:4]
    used = 0
    for k in range(length):
        total, own = 0.0, 0
        chord = chord_of(lists, a, b, which[z + k])
        if chord != NONE:
            for n in range(start[chord], start[chord + 1]):
                here = min(max((least - enter[n]) * per_mm[n], 0.0), 1.0)
                if here == min(max((largest - enter[n]) * per_mm[n], 0.0), 1.0):
                    total += depth[n] * here
                    continue
                if own == SLOTS:
                    return TOO_MANY
                if own == used:
                    slots[used, 2] = 0
                    used += 1
                slots[own, 0, k], slots[own, 1, k], slots[own, 2, k] = enter[n], per_mm[n], depth[n]
                own += 1
        before[k] = left_of(total)
    return used


@inner
def add_dimmed(total, row, light, light_row, w, slots, used, t, depth):
    """total[row] += w * light[light_row], times the transmittance at t in each slice. depth: SLICES numbers of room."""
    depth[:] = 0
    for n in range(used):
        for k in range(SLICES):
            depth[k] += slots[n, 2, k] * min(max((t - slots[n, 0, k]) * slots[n, 1, k], 0.0), 1.0)
    for k in range(SLICES):
        total[row, k] += w * light[light_row, k] * exp_of_negative(-depth[k])
