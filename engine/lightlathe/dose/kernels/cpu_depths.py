"""Light that inserts dim, for the compiled loops of the CPU kernels; words as in cpu_inserts.py.

Of a block of slices with one cross-section, weights are times the transmittance of their bin's chord. Of a block with
several, light of chords whose transmittance is one number all over the tile is times that number in each slice, and
only where it changes within the tile is it computed voxel by voxel, for all slices of the block side by side.

lists   (start, enter, per_mm, depth, first bin, bins, classes), see Lists in dose/depths.py
"""

import numpy as np

from lightlathe.dose.kernels.cpu_tiles import SLICES, inner, rows_of_zeros
from lightlathe.dose.kernels.cpu_vectors import add_rows
from lightlathe.dose.kernels.cpu_weights import exp_of_negative

DARK = 700.0  # an optical depth from which on nothing is left
NONE = -1  # no chord
SLOTS = 6  # intervals of a chord that may change within a tile, side by side; where more do, slice by slice
TOO_MANY = -1


@inner
def room_for(span, like):
    """Of each bin of a tile: light of a chord whose transmittance changes within the tile; how many slots that takes,
    and those; in one cross-section the chord, its transmittance over the tile, whether that changes within. Then two
    rows of numbers."""
    slots = np.zeros(span, np.int64), np.zeros((span, SLOTS, 3, SLICES))
    chords = np.zeros(span, np.int64), np.zeros(span), np.zeros(span, np.bool_)
    return rows_of_zeros(span, like), slots, chords, np.zeros(SLICES), np.zeros(SLICES)


@inner
def left_of(depth):
    """exp(-depth)"""
    return exp_of_negative(-depth) if depth < DARK else 0.0


@inner
def transmittance(lists, chord, t):
    """What inserts have left at t of the light of a chord; 1 of NONE."""
    start, enter, per_mm, depth = lists[:4]
    if chord == NONE:
        return 1.0
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
def chord_of(lists, view, b, k):
    """The number of the chord of a view's bin b in class k; NONE where it meets nothing."""
    start, first, bins, classes = lists[0], lists[4], lists[5], lists[6]
    e = b - first
    if k < 0 or not 0 <= e < bins:
        return NONE
    chord = (view * bins + e) * classes + k
    return chord if start[chord] < start[chord + 1] else NONE


@inner
def in_slices(lists, view, b, block, least, largest, before, slots):
    """Of one bin in each slice of a block: the transmittance before what changes within the tile, and that.

    before   (SLICES,) filled in
    slots    (SLOTS, 3, SLICES): enter, per_mm and depth of the intervals that change; other slices have depth 0
    Returns how many slots are used, or TOO_MANY.
    """
    start, enter, per_mm, depth = lists[:4]
    which, z, length = block
    used = 0
    for k in range(length):
        total, own = 0.0, 0
        chord = chord_of(lists, view, b, which[z + k])
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
def add_dimmed(total, light, w, slots, used, t, depth):
    """total += w * light, times the transmittance at t in each slice. depth: SLICES numbers of room."""
    depth[:] = 0
    for n in range(used):
        for k in range(SLICES):
            depth[k] += slots[n, 2, k] * min(max((t - slots[n, 0, k]) * slots[n, 1, k], 0.0), 1.0)
    for k in range(SLICES):
        total[k] += w * light[k] * exp_of_negative(-depth[k])


@inner
def add_slice_by_slice(total, light, w, lists, view, b, block, t):
    """The same where more intervals change within the tile than there are slots."""
    which, z, length = block
    for k in range(length):
        total[k] += w * light[k] * transmittance(lists, chord_of(lists, view, b, which[z + k]), t)


@inner
def class_weights(kept, voxels, lists, seen, one, room):
    """Weights of one view in one cross-section: times the transmittance of their chords."""
    view, first_bin, bins_read, least, largest = seen
    near, far, row, t, count = voxels
    chord, left, changes = room[2]
    for r in range(bins_read):
        chord[r] = chord_of(lists, view, first_bin + r - 1, one)
        left[r], changes[r] = over_tile(lists, chord[r], least, largest)
    for side, weight in ((0, near), (1, far)):
        for p in range(count):
            r = row[p] + side
            kept[side][p] = weight[p] * (transmittance(lists, chord[r], t[p]) if changes[r] else left[r])


@inner
def deposit_apart(total, strip, voxels, lists, seen, block, room):
    """See cpu_inserts.py."""
    view, first_bin, bins_read, least, largest = seen
    near, far, row, t, count = voxels
    part, (used, slots), _, before, depth = room
    some = False
    for r in range(bins_read):
        used[r] = in_slices(lists, view, first_bin + r - 1, block, least, largest, before, slots[r])
        some = some or used[r] != 0
        if used[r] != TOO_MANY:
            for k in range(block[2]):
                strip[r, k] *= before[k]
        if used[r] != 0:
            part[r] = strip[r]
            strip[r] = 0
    if not some:
        return
    for p in range(count):
        for side in range(2):
            r, w = row[p] + side, far[p] if side else near[p]
            if used[r] == TOO_MANY:
                add_slice_by_slice(total[p], part[r], w, lists, view, first_bin + r - 1, block, t[p])
            elif used[r] > 0 and w != 0:
                add_dimmed(total[p], part[r], w, slots[r], used[r], t[p], depth)


@inner
def collect_apart(strip, rows, entries, lists, seen, block, room):
    """See cpu_inserts.py."""
    view, first_bin, bins_read, least, largest = seen
    near, far, number, t, start = entries
    total, (_, slots), _, before, depth = room
    for r in range(bins_read):
        b = first_bin + r - 1
        used = in_slices(lists, view, b, block, least, largest, before, slots[0])
        if used == TOO_MANY:
            before[:] = 1
        total[0] = 0
        for first_of, weight in ((r - 1, far), (r, near)):
            if first_of < 0:
                continue
            first, last = start[first_of], start[first_of + 1]
            if used == 0:
                add_rows(total, 0, rows, number, weight, first, last, 1)  # pyright: ignore[reportCallIssue]
                continue
            for m in range(first, last):
                if used == TOO_MANY:
                    add_slice_by_slice(total[0], rows[number[m]], weight[m], lists, view, b, block, t[m])
                elif weight[m] != 0:
                    add_dimmed(total[0], rows[number[m]], weight[m], slots[0], used, t[m], depth)
        for k in range(block[2]):
            strip[r, k] += total[0, k] * before[k]
