"""Light that ends at opaque inserts, for the compiled loops of the CPU kernel; words as in cpu_inserts.py.

Of a block of slices with one cross-section, weights of voxels behind the ends are 0. Of a block with several, chords
that end before the tile are dark in their slices, and only where one ends within the tile is each voxel compared with
the end, slice by slice.

ends   (view, bin, class): the t at which a chord ends
"""

import numpy as np

from lightlathe.dose.kernels.cpu_tiles import SLICES, inner, rows_of_zeros
from lightlathe.dose.kernels.cpu_vectors import add_rows


@inner
def room_for(span, like):
    """Of each bin of a tile: light of a chord that ends within the tile, its ends in the slices of a block, whether
    there is any; its end in one cross-section."""
    return rows_of_zeros(span, like), np.zeros((span, SLICES)), np.zeros(span, np.bool_), np.zeros(span)


@inner
def end_of(ends, view, e, k):
    """The end of a chord in cross-section k; infinite where bin e is none of those with ends."""
    return np.float64(ends[view, e, k]) if 0 <= e < ends.shape[1] else np.inf


@inner
def ends_of_block(ends, meets, seen, r, block, until):
    """Whether the chord of bin r ends before the tile's largest t in any cross-section; then fills in its ends."""
    view, first_bin, _, _, largest = seen
    soonest, first, which = meets
    _, z, length = block
    e = first_bin + r - 1 - first
    if not 0 <= e < soonest.shape[1] or soonest[view, e] > largest:
        return False
    for k in range(length):
        until[k] = end_of(ends, view, e, which[z + k])
    return True


@inner
def class_weights(kept, voxels, ends, meets, seen, one, room):
    """Weights of one view in one cross-section: 0 behind the end of the chord."""
    view, first_bin, bins_read, _, _ = seen
    near, far, row, t, count = voxels
    chord = room[3]
    for r in range(bins_read):
        chord[r] = end_of(ends, view, first_bin + r - 1 - meets[1], one)
    for p in range(count):
        kept[0][p] = near[p] if t[p] < chord[row[p]] else 0
        kept[1][p] = far[p] if t[p] < chord[row[p] + 1] else 0


@inner
def cut_row(light, until, length, least, largest, part):
    """Darken the light of a bin where its chord ends before the tile's largest t; where it ends within the tile that
    light goes into `part` instead. Returns whether there is any."""
    within = False
    for k in range(length):
        ends = (until[k] > least) & (until[k] <= largest)
        part[k] = light[k] if ends else 0
        within = within or (ends and light[k] != 0)
        if until[k] <= largest:
            light[k] = 0
    return within


@inner
def deposit_apart(total, strip, voxels, ends, meets, seen, block, room):
    """See cpu_inserts.py."""
    _, _, bins_read, least, largest = seen
    near, far, row, t, count = voxels
    part, until, within, _ = room
    length, some = block[2], False
    for r in range(bins_read):
        within[r] = ends_of_block(ends, meets, seen, r, block, until[r])
        if within[r]:
            within[r] = cut_row(strip[r], until[r], length, least, largest, part[r])
        some = some or within[r]
    if not some:
        return
    for p in range(count):
        here = t[p]
        for side in range(2):
            r, w = row[p] + side, far[p] if side else near[p]
            if within[r]:
                for k in range(length):
                    total[p, k] += w * part[r, k] if here < until[r, k] else 0


@inner
def collect_apart(strip, rows, entries, ends, meets, seen, block, room):
    """See cpu_inserts.py."""
    near, far, number, t, start = entries
    until, length = room[1][0], block[2]
    for r in range(seen[2]):
        total = strip[r]
        ended = ends_of_block(ends, meets, seen, r, block, until)
        for first_of, weight in ((r - 1, far), (r, near)):
            if first_of < 0:
                continue
            first, last = start[first_of], start[first_of + 1]
            if not ended:
                add_rows(strip, r, rows, number, weight, first, last, 1)  # pyright: ignore[reportCallIssue]
                continue
            for m in range(first, last):
                w, here, given = weight[m], t[m], rows[number[m]]
                for k in range(length):
                    total[k] += w * given[k] if here < until[k] else 0
