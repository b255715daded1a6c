"""Light that inserts end or dim, for the compiled loops of the CPU kernel: which of cpu_ends.py and cpu_depths.py.

numba drops branches of arguments that are None as it compiles, so that each function has one of the two alone.

meets     (view, bin) the least t at which a chord meets an insert, the first bin that this is of, the class of each
          slice: its cross-section
ends      as in cpu_ends.py, or None
depths    as in cpu_depths.py, or None
seen      what a tile sees of a view: its number, the first bin, how many bins, the least and the largest t
voxels    the voxel columns of a tile in a view: weights of the two bins beside each, the number of the first of them
          from `seen` on, t along the chord through it; how many
entries   the same sorted by that first bin: weights, voxel columns, t; where the entries of each bin start
block     some slices: the class of each slice of all, the first one's number, how many
room      memory for numbers of one view
"""

# what is set where `meets` is not None is used only there
# pyright: reportPossiblyUnboundVariable=false

from lightlathe.dose.kernels import cpu_depths, cpu_ends
from lightlathe.dose.kernels.cpu_tiles import inner

SEVERAL = -1  # cross-sections in a block of slices


@inner
def room_for(span, like, ends, depths):
    if ends is not None:
        room = cpu_ends.room_for(span, like)
    if depths is not None:
        room = cpu_depths.room_for(span, like)
    return room


@inner
def one_class(block):
    """The cross-section of a block of slices, or SEVERAL."""
    which, z, length = block
    for k in range(length):
        if which[z + k] != which[z]:
            return SEVERAL
    return which[z]


@inner
def meets_any(meets, seen):
    """Whether a chord that a tile reads meets an insert before the largest t, in any cross-section."""
    view, first_bin, bins_read, _, largest = seen
    soonest, first, _ = meets
    for r in range(bins_read):
        e = first_bin + r - 1 - first
        if 0 <= e < soonest.shape[1] and soonest[view, e] <= largest:
            return True
    return False


@inner
def sorted_by_bin(row, by_t, t, number, start, bins_read):
    """Fill in of `entries` the number of the first bin, and t."""
    for r in range(bins_read):
        for m in range(start[r], start[r + 1]):
            row[m], by_t[m] = r, t[number[m]]


@inner
def class_weights(kept, voxels, meets, ends, depths, seen, one, room):
    """Fill in `kept`, the two weights of each voxel column in one cross-section."""
    if ends is not None:
        cpu_ends.class_weights(kept, voxels, ends, meets, seen, one, room)
    if depths is not None:
        cpu_depths.class_weights(kept, voxels, depths, seen, one, room)


@inner
def deposit_apart(total, strip, voxels, meets, ends, depths, seen, block, room):
    """Of a view and a block of several cross-sections: take from the strip the light that inserts end or dim before
    the tile; where they do within, take all, and add what is left to `total`, voxel by voxel."""
    if ends is not None:
        cpu_ends.deposit_apart(total, strip, voxels, ends, meets, seen, block, room)
    if depths is not None:
        cpu_depths.deposit_apart(total, strip, voxels, depths, seen, block, room)


@inner
def collect_apart(strip, rows, entries, meets, ends, depths, seen, block, room):
    """The transpose: add to the strip of a view what voxel columns of a tile give it, in each slice."""
    if ends is not None:
        cpu_ends.collect_apart(strip, rows, entries, ends, meets, seen, block, room)
    if depths is not None:
        cpu_depths.collect_apart(strip, rows, entries, depths, seen, block, room)
