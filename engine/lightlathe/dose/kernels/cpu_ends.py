"""The compiled loops of the CPU kernel for light that ends at inserts; as those of cpu_loops.py.

Of most tiles no chord ends in front or within, and nothing differs there. Else, of a block of slices with one
cross-section, weights of voxels behind the ends are 0, and the product is the same. Of a block with several, chords
that end before the tile are dark in their slices, and only where one ends within the tile is each voxel compared with
the end, slice by slice.
"""

import numpy as np

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
    weigh,
    weigh_lines,
)

SEVERAL = -1  # cross-sections in a block of slices


@inner
def weigh_all(x, y, count, cos, sin, optics, lines, low, near, far, t, bins):
    """The weights of one view, and t of every voxel column along the chord through it.

    Returns the first bin, how many bins, the least and the largest t.
    """
    if len(lines[0]) == 0:
        first, read = weigh(x, y, count, cos, sin, bins, optics, low, near, far)
    else:
        first, read = weigh_lines(x, y, count, cos, sin, bins, optics, lines, low, near, far)
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
    return first, read, least, largest


@inner
def any_ends(soonest, a, first_bin, bins_read, first_end, largest):
    """Whether a chord that a tile reads ends before the largest t, in any cross-section."""
    for r in range(bins_read):
        e = first_bin + r - 1 - first_end
        if 0 <= e < soonest.shape[1] and soonest[a, e] <= largest:
            return True
    return False


@inner
def one_class(which, z, length):
    """The cross-section of a block of slices, or SEVERAL."""
    for k in range(length):
        if which[z + k] != which[z]:
            return SEVERAL
    return which[z]


@inner
def end_of(ends, a, e, k):
    """The end of a chord in cross-section k; infinite where bin e is none of those with ends."""
    return np.float64(ends[a, e, k]) if 0 <= e < ends.shape[1] else np.inf


@inner
def ends_of_block(ends, a, e, which, z, length, until):
    """Fill in the ends of a chord in the slices of a block."""
    for k in range(length):
        until[k] = end_of(ends, a, e, which[z + k])


@inner
def cut_strip(strip, row, until, length, least, largest, part):
    """Darken a row of the strip in the slices in which its bin's chord ends before the tile's largest t.

    Where it ends within the tile that light goes into `part` instead. Returns whether there is any.
    """
    within = False
    for k in range(length):
        ends = (until[k] > least) & (until[k] <= largest)
        part[k] = strip[row, k] if ends else 0
        within = within or (ends and strip[row, k] != 0)
        if until[k] <= largest:
            strip[row, k] = 0
    return within


@inner
def deposit_until(total, part, until, within, length, number, weight, t, a, count, first_row):
    """Add the light of bins that end within the tile to the voxel columns before their ends.

    part, until, within   by row of the strip, from `first_row` on: the light, the ends, whether there are any
    """
    for p in range(count):
        here = t[a, p]
        for side in range(2):
            r = number[2 * a + side, p] - first_row
            if within[r]:
                w = weight[2 * a + side, p]
                for k in range(length):
                    total[p, k] += w * part[r, k] if here < until[r, k] else 0


@fast
def deposit_tiles(light, dose, tiles, cos, sin, x, y, optics, lines, span, ends, soonest, first_end, which):
    """As that of cpu_loops. ends, soonest, first_end, which: (view, bin, class), their minimum over the classes, the
    first bin that they are of, the class of each slice."""
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    total, strip = rows_of_zeros(shape, light), rows_of_zeros(GROUP * span, light)
    low, number = np.empty(shape, np.int64), np.empty((2 * ANGLES_PER_PASS, shape), np.int32)
    weight, t = np.empty((2 * ANGLES_PER_PASS, shape), light.dtype), np.empty((ANGLES_PER_PASS, shape))
    kept = np.empty((2 * ANGLES_PER_PASS, shape), light.dtype)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    least, largest, ended = np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS, np.bool_)
    part, until, within = np.zeros((span, SLICES), light.dtype), np.zeros((span, SLICES)), np.zeros(span, np.bool_)
    chord = np.zeros(span)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a0 in range(0, angles, ANGLES_PER_PASS):
            here, cut, of_class = min(ANGLES_PER_PASS, angles - a0), False, SEVERAL
            for a in range(here):
                first_bin[a], bins_read[a], least[a], largest[a] = weigh_all(
                    x_in, y_in, count, cos[a0 + a], sin[a0 + a], optics, lines, low, weight[2 * a], weight[2 * a + 1],
                    t[a], bins,
                )  # fmt: skip
                ended[a] = any_ends(soonest, a0 + a, first_bin[a], bins_read[a], first_end, largest[a])
                cut = cut or ended[a]
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
                            if ended[a]:
                                for r in range(bins_read[a]):
                                    chord[r] = end_of(ends, a0 + a, first_bin[a] + r - 1 - first_end, one)
                            mask(kept, weight, number, t, a, count, ended[a], chord, (a % GROUP) * span)
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
                        if one == SEVERAL and ended[a]:
                            some = False
                            for r in range(bins_read[a]):
                                e = first_bin[a] + r - 1 - first_end
                                within[r] = 0 <= e < soonest.shape[1] and soonest[a0 + a, e] <= largest[a]
                                if within[r]:
                                    ends_of_block(ends, a0 + a, e, which, z, length, until[r])
                                    within[r] = cut_strip(
                                        strip, k * span + r, until[r], length, least[a], largest[a], part[r]
                                    )
                                some = some or within[r]
                            if some:
                                deposit_until(total, part, until, within, length, number, weight, t, a, count, k * span)
                    if shining:
                        for p in range(count):
                            first = group * GROUP * 2 * shape + p
                            add_rows(total, p, strip, number, weights, first, first + 2 * members * shape, shape)  # pyright: ignore[reportCallIssue]
                for p in range(count):
                    for k in range(length):
                        dose[i[p], j[p], z + k] = total[p, k]


@inner
def mask(kept, weight, number, t, a, count, ended, chord, first_row):
    """Weights of one view in one cross-section: 0 for voxel columns behind the end of the chord.

    chord   the ends by row of the strip, from `first_row` on
    """
    for side in range(2):
        row, source, rows = kept[2 * a + side], weight[2 * a + side], number[2 * a + side]
        if ended:
            for p in range(count):
                row[p] = source[p] if t[a, p] < chord[rows[p] - first_row] else 0
        else:
            for p in range(count):
                row[p] = source[p]


@inner
def collect_until(total, rows, until, length, number, weight, t, first, last):
    """Add up what one bin lights: entries first to last, each in the slices in which it lies before the bin's end."""
    for m in range(first, last):
        p = number[m]
        w, here = weight[m], t[p]
        for k in range(length):
            total[FIRST, k] += w * rows[p, k] if here < until[k] else 0


@fast
def collect_angles(dose, light, tiles, cos, sin, x, y, optics, lines, span, ends, soonest, first_end, which):
    """As that of cpu_loops; `ends` and `soonest` of these angles."""
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    tile_rows, total = rows_of_zeros(shape, light), rows_of_zeros(1, light)
    number = np.empty((ANGLES_PER_PASS, 2 * shape), np.int32)
    weight, t = np.empty((ANGLES_PER_PASS, 2 * shape), light.dtype), np.empty((ANGLES_PER_PASS, shape))
    kept = np.empty((ANGLES_PER_PASS, 2 * shape), light.dtype)
    start = np.zeros((ANGLES_PER_PASS, span + 2), np.int64)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    largest, until, ended = np.zeros(ANGLES_PER_PASS), np.zeros(SLICES), np.zeros(ANGLES_PER_PASS, np.bool_)
    for tile in tiles:
        count, of_class = columns_of(tile, x, y, optics[2], i, j, x_in, y_in), SEVERAL
        for a in range(angles):
            first_bin[a], bins_read[a], _, largest[a] = weigh_all(
                x_in, y_in, count, cos[a], sin[a], optics, lines, low, near, far, t[a], bins
            )
            ended[a] = any_ends(soonest, a, first_bin[a], bins_read[a], first_end, largest[a])
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
                if ended[a] and one != SEVERAL:
                    weights = kept[a]
                    if one != of_class:
                        mask_sorted(kept[a], weight[a], number[a], t[a], start[a], bins_read[a], ends, a, one,
                                    first_bin[a] - 1 - first_end)  # fmt: skip
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if not 0 <= b < bins:
                        continue
                    fetch(total, FIRST, light, a, b, z, length)
                    e = b - first_end
                    if one == SEVERAL and 0 <= e < soonest.shape[1] and soonest[a, e] <= largest[a]:
                        ends_of_block(ends, a, e, which, z, length, until)
                        collect_until(
                            total, tile_rows, until, length, number[a], weight[a], t[a], start[a, r], start[a, r + 1]
                        )
                    else:
                        add_rows(total, 0, tile_rows, number[a], weights, start[a, r], start[a, r + 1], 1)  # pyright: ignore[reportCallIssue]
                    for k in range(length):
                        light[a, b, z + k] = total[FIRST, k]
            of_class = one if one != SEVERAL else of_class


@inner
def mask_sorted(kept, weight, number, t, start, bins_read, ends, view, one, shift):
    """As `mask`, of weights that are sorted by bin."""
    for r in range(bins_read):
        end = end_of(ends, view, r + shift, one)
        for m in range(start[r], start[r + 1]):
            kept[m] = weight[m] if t[number[m]] < end else 0
