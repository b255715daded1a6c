"""The compiled loops of the CPU kernel for light that inserts dim; as those of cpu_ends.py, whose weights they take.

Of most tiles no chord meets an insert in front or within, and nothing differs there. Else, of a block of slices with
one cross-section, weights are times the transmittance of their bin's chord, and the product is the same. Of a block
with several, light of chords whose transmittance is one number all over the tile is times that number in each slice,
and only where it changes within the tile is it computed voxel by voxel, for all slices of the block side by side.
"""

import numpy as np

from lightlathe.dose.kernels.cpu_ends import SEVERAL, any_ends, one_class, weigh_all
from lightlathe.dose.kernels.cpu_loops import (
    ANGLES_PER_PASS,
    FIRST,
    GROUP,
    SLICES,
    TILE,
    add_rows,
    columns_of,
    fast,
    fetch,
    inner,
    lit,
    rows_of_zeros,
    sort_by_bin,
)
from lightlathe.dose.kernels.cpu_transmittance import (
    NONE,
    SLOTS,
    TOO_MANY,
    add_dimmed,
    chord_of,
    in_slices,
    over_tile,
    transmittance,
)


@inner
def dim(kept, weight, number, t, a, count, met, lists, chord, left, changes, first_row):
    """Weights of one view in one cross-section, of both bins.

    chord, left, changes   by row of the strip, from `first_row` on: the chord, its transmittance over the tile, whether
                           that changes within
    """
    for side in range(2):
        row, source, rows = kept[2 * a + side], weight[2 * a + side], number[2 * a + side]
        if met:
            for p in range(count):
                r = rows[p] - first_row
                row[p] = source[p] * (transmittance(lists, chord[r], t[a, p]) if changes[r] else left[r])
        else:
            for p in range(count):
                row[p] = source[p]


@inner
def dim_row(strip, row, lists, a, b, which, z, length, least, largest, part, r, before, slots):
    """Dim a row of the strip in each slice by its chord's transmittance, where that is one number in the tile.

    Where it is not, light goes into row r of `part` instead. Returns how many slots that takes, 0 where none does,
    TOO_MANY where nothing was done.
    """
    used = in_slices(lists, a, b, which, z, length, least, largest, before, slots)
    if used == TOO_MANY:
        return used
    for k in range(length):
        strip[row, k] *= before[k]
    if used > 0:
        for k in range(SLICES):
            part[r, k] = strip[row, k]
            strip[row, k] = 0
    return used


@inner
def deposit_dimmed(total, part, used, slots, room, number, weight, t, a, count, first_row):
    """Add the light of chords whose transmittance changes within the tile, voxel by voxel.

    part, used, slots   by row of the strip, from `first_row` on
    """
    for p in range(count):
        for side in range(2):
            r, w = number[2 * a + side, p] - first_row, weight[2 * a + side, p]
            if used[r] > 0 and w != 0:
                add_dimmed(total, p, part, r, w, slots[r], used[r], t[a, p], room)


@inner
def deposit_one_by_one(total, strip, row, r, lists, view, b, which, z, length, number, weight, t, a, count, first_row):
    """The same of one bin slice by slice, where more intervals change within the tile than there are slots."""
    for p in range(count):
        for side in range(2):
            w = weight[2 * a + side, p]
            if number[2 * a + side, p] - first_row == r and w != 0:
                for k in range(length):
                    chord = chord_of(lists, view, b, which[z + k])
                    left = 1.0 if chord == NONE else transmittance(lists, chord, t[a, p])
                    total[p, k] += w * strip[row, k] * left
    strip[row] = 0


@fast
def deposit_tiles(light, dose, tiles, cos, sin, x, y, optics, lines, span, lists, which):
    """As that of cpu_loops. which   the class of each slice"""
    angles, bins, slices = light.shape
    shape = TILE * TILE
    soonest, first_met = lists[4], lists[5]
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    total, strip = rows_of_zeros(shape, light), rows_of_zeros(GROUP * span, light)
    low, number = np.empty(shape, np.int64), np.empty((2 * ANGLES_PER_PASS, shape), np.int32)
    weight, t = np.empty((2 * ANGLES_PER_PASS, shape), light.dtype), np.empty((ANGLES_PER_PASS, shape))
    kept = np.empty((2 * ANGLES_PER_PASS, shape), light.dtype)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    least, largest, met = np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS, np.bool_)
    part, used, slots = rows_of_zeros(span, light), np.zeros(span, np.int64), np.zeros((span, SLOTS, 3, SLICES))
    chord, left, changes = np.zeros(span, np.int64), np.zeros(span), np.zeros(span, np.bool_)
    before, room = np.zeros(SLICES), np.zeros(SLICES)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a0 in range(0, angles, ANGLES_PER_PASS):
            here, cut, of_class = min(ANGLES_PER_PASS, angles - a0), False, SEVERAL
            for a in range(here):
                first_bin[a], bins_read[a], least[a], largest[a] = weigh_all(
                    x_in, y_in, count, cos[a0 + a], sin[a0 + a], optics, lines, low, weight[2 * a], weight[2 * a + 1],
                    t[a], bins,
                )  # fmt: skip
                met[a] = any_ends(soonest, a0 + a, first_bin[a], bins_read[a], first_met, largest[a])
                cut = cut or met[a]
                shift = (a % GROUP) * span - first_bin[a]
                for p in range(count):
                    number[2 * a, p] = low[p] + shift
                    number[2 * a + 1, p] = low[p] + shift + 1
            for block in range((slices + SLICES - 1) // SLICES):
                z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
                one = one_class(which, z, length)
                weights = weight
                if cut and one != SEVERAL:
                    weights = kept
                    if one != of_class:
                        of_class = one
                        for a in range(here):
                            for r in range(bins_read[a] if met[a] else 0):
                                chord[r] = chord_of(lists, a0 + a, first_bin[a] + r - 1, one)
                                left[r], changes[r] = over_tile(lists, chord[r], least[a], largest[a])
                            dim(
                                kept, weight, number, t, a, count, met[a], lists, chord, left, changes,
                                (a % GROUP) * span,
                            )  # fmt: skip
                if a0 == 0:
                    total[:] = 0
                else:
                    for p in range(count):
                        fetch(total, np.uint64(p), dose, i[p], j[p], z, length)
                for group in range((here + GROUP - 1) // GROUP):
                    members = min(GROUP, here - group * GROUP)
                    shining = False
                    for k in range(members):
                        a = group * GROUP + k
                        for r in range(bins_read[a]):
                            b, at = first_bin[a] + r - 1, np.uint64(k * span + r)
                            if 0 <= b < bins:
                                fetch(strip, at, light, a0 + a, b, z, length)
                            else:
                                strip[at] = 0
                        shining = shining or lit(strip, k * span, k * span + bins_read[a])
                        if one == SEVERAL and met[a]:
                            some = False
                            for r in range(bins_read[a]):
                                row, b = k * span + r, first_bin[a] + r - 1
                                used[r] = dim_row(
                                    strip, row, lists, a0 + a, b, which, z, length, least[a], largest[a], part, r,
                                    before, slots[r],
                                )  # fmt: skip
                                some = some or used[r] > 0
                                if used[r] == TOO_MANY:
                                    deposit_one_by_one(
                                        total, strip, row, r, lists, a0 + a, b, which, z, length, number, weight, t, a,
                                        count, k * span,
                                    )  # fmt: skip
                            if some:
                                deposit_dimmed(total, part, used, slots, room, number, weight, t, a, count, k * span)
                    if shining:
                        for p in range(count):
                            first = group * GROUP * 2 * shape + p
                            add_rows(total, p, strip, number, weights, first, first + 2 * members * shape, shape)  # pyright: ignore[reportCallIssue]
                for p in range(count):
                    for k in range(length):
                        dose[i[p], j[p], z + k] = total[p, k]


@inner
def dim_sorted(kept, weight, number, t, start, bins_read, lists, view, first_bin, one, least, largest):
    """As `dim`, of weights that are sorted by bin."""
    for r in range(bins_read):
        chord = chord_of(lists, view, first_bin + r - 1, one)
        left, changes = over_tile(lists, chord, least, largest)
        for m in range(start[r], start[r + 1]):
            kept[m] = weight[m] * (transmittance(lists, chord, t[number[m]]) if changes else left)


@inner
def collect_dimmed(
    total, rows, lists, view, b, which, z, length, least, largest, number, weight, t, first, last, before, slots, room
):
    """What a bin lights in each slice, dimmed: entries first to last, summed into `total`, which is 0."""
    used = in_slices(lists, view, b, which, z, length, least, largest, before, slots)
    if used == TOO_MANY:
        for m in range(first, last):
            for k in range(length):
                chord = chord_of(lists, view, b, which[z + k])
                left = 1.0 if chord == NONE else transmittance(lists, chord, t[number[m]])
                total[FIRST, k] += weight[m] * rows[number[m], k] * left
        return
    if used == 0:
        add_rows(total, 0, rows, number, weight, first, last, 1)  # pyright: ignore[reportCallIssue]
    else:
        for m in range(first, last):
            if weight[m] != 0:
                add_dimmed(total, FIRST, rows, number[m], weight[m], slots, used, t[number[m]], room)
    for k in range(length):
        total[FIRST, k] *= before[k]


@fast
def collect_angles(dose, light, tiles, cos, sin, x, y, optics, lines, span, lists, which):
    """As that of cpu_loops; `lists` of these angles."""
    angles, bins, slices = light.shape
    shape = TILE * TILE
    soonest, first_met = lists[4], lists[5]
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    tile_rows, total = rows_of_zeros(shape, light), rows_of_zeros(1, light)
    number = np.empty((ANGLES_PER_PASS, 2 * shape), np.int32)
    weight, t = np.empty((ANGLES_PER_PASS, 2 * shape), light.dtype), np.empty((ANGLES_PER_PASS, shape))
    kept = np.empty((ANGLES_PER_PASS, 2 * shape), light.dtype)
    start = np.zeros((ANGLES_PER_PASS, span + 2), np.int64)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    least, largest, met = np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS, np.bool_)
    before, room, slots = np.zeros(SLICES), np.zeros(SLICES), np.zeros((SLOTS, 3, SLICES))
    for tile in tiles:
        count, of_class = columns_of(tile, x, y, optics[2], i, j, x_in, y_in), SEVERAL
        for a in range(angles):
            first_bin[a], bins_read[a], least[a], largest[a] = weigh_all(
                x_in, y_in, count, cos[a], sin[a], optics, lines, low, near, far, t[a], bins
            )
            met[a] = any_ends(soonest, a, first_bin[a], bins_read[a], first_met, largest[a])
            sort_by_bin(count, low, near, far, first_bin[a], bins_read[a], start[a], number[a], weight[a])
        for block in range((slices + SLICES - 1) // SLICES):
            z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
            for p in range(count):
                fetch(tile_rows, np.uint64(p), dose, i[p], j[p], z, length)
            if not lit(tile_rows, 0, count):
                continue
            one = one_class(which, z, length)
            for a in range(angles):
                weights = weight[a]
                if met[a] and one != SEVERAL:
                    weights = kept[a]
                    if one != of_class:
                        dim_sorted(
                            kept[a], weight[a], number[a], t[a], start[a], bins_read[a], lists, a, first_bin[a], one,
                            least[a], largest[a],
                        )  # fmt: skip
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if not 0 <= b < bins:
                        continue
                    total[FIRST] = 0
                    if one == SEVERAL and met[a]:
                        collect_dimmed(
                            total, tile_rows, lists, a, b, which, z, length, least[a], largest[a], number[a], weight[a],
                            t[a], start[a, r], start[a, r + 1], before, slots, room,
                        )  # fmt: skip
                    else:
                        add_rows(total, 0, tile_rows, number[a], weights, start[a, r], start[a, r + 1], 1)  # pyright: ignore[reportCallIssue]
                    for k in range(length):
                        light[a, b, z + k] += total[FIRST, k]
            of_class = one if one != SEVERAL else of_class
