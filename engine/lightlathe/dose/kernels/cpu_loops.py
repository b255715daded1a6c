"""The compiled loops of the CPU kernel.

All slices share one set of weights, so both directions are a sparse matrix, made on the fly a tile at a time, times
dense rows of SLICES slices: `add_rows` and `add_pairs` are that product and nearly all of the time.

With inserts slices differ, though of most tiles no chord meets one in front or within, and nothing changes there. Else
a block of slices with one cross-section has weights of its own, and light in one with several is ended or dimmed slice
by slice (cpu_inserts.py). Without, numba drops those branches as it compiles: their arguments are None.
"""

# what is set where `meets` is not None is used only there
# pyright: reportPossiblyUnboundVariable=false

import numpy as np

from lightlathe.dose.kernels.cpu_inserts import (
    SEVERAL,
    class_weights,
    collect_apart,
    deposit_apart,
    meets_any,
    one_class,
    room_for,
    sorted_by_bin,
)
from lightlathe.dose.kernels.cpu_tiles import SLICES, TILE, columns_of, fast, fetch, inner, lit, rows_of_zeros
from lightlathe.dose.kernels.cpu_vectors import FEW, add_few, add_few_pairs, add_pairs, add_rows
from lightlathe.dose.kernels.cpu_weights import along_chords, weigh_view

GROUP = 4  # angles that one pass over a tile adds
ANGLES_PER_PASS = 64  # angles whose weights are kept; read once, used for every block of slices


@inner
def group_by_bin(count, low, near, far, first_bin, bins_read, start, number, by_near, by_far):
    """Sort voxel columns by the lower of their two bins: entries start[r] to start[r + 1] have bin r."""
    start[:] = 0
    for p in range(count):
        start[low[p] - first_bin + 2] += 1
    for r in range(2, bins_read + 1):
        start[r] += start[r - 1]  # now start[r + 1] is where bin r begins; filling bin r moves it to its end
    for p in range(count):
        r = low[p] - first_bin
        at = start[r + 1]
        number[at], by_near[at], by_far[at] = p, near[p], far[p]
        start[r + 1] = at + 1


@fast
def deposit_tiles(light, dose, tiles, cos, sin, x, y, optics, lines, span, profile, meets, ends, depths):
    """Fill the dose of some tiles: every voxel column sums GROUP angles at a time.

    span      the most bins a tile reads
    profile   see shape_pixels; None where bins are read linearly
    meets, ends, depths   see cpu_inserts.py; all None where there are no inserts
    """
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    total, strip = rows_of_zeros(shape, light), rows_of_zeros(GROUP * span, light)
    low, number = np.empty(shape, np.int64), np.empty((2 * ANGLES_PER_PASS, shape), np.int32)
    weight = np.empty((2 * ANGLES_PER_PASS, shape), light.dtype)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    if meets is not None:
        kept, row = np.empty_like(weight), np.empty((ANGLES_PER_PASS, shape), np.int32)
        t, met = np.empty((ANGLES_PER_PASS, shape)), np.zeros(ANGLES_PER_PASS, np.bool_)
        least, largest = np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS)
        room = room_for(span, light, ends, depths)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a0 in range(0, angles, ANGLES_PER_PASS):
            here, cut, of_class = min(ANGLES_PER_PASS, angles - a0), False, SEVERAL
            for a in range(here):
                c, n, near, far = cos[a0 + a], sin[a0 + a], weight[2 * a], weight[2 * a + 1]
                first_bin[a], bins_read[a] = weigh_view(
                    x_in, y_in, count, c, n, bins, optics, lines, profile, low, near, far
                )
                shift = (a % GROUP) * span - first_bin[a]
                for p in range(count):
                    number[2 * a, p] = low[p] + shift
                    number[2 * a + 1, p] = low[p] + shift + 1
                if meets is not None:
                    least[a], largest[a] = along_chords(x_in, y_in, count, c, n, lines, low, near, far, t[a])
                    met[a] = meets_any(meets, (a0 + a, first_bin[a], bins_read[a], least[a], largest[a]))
                    cut = cut or met[a]
                    for p in range(count):
                        row[a, p] = low[p] - first_bin[a]
            for block in range((slices + SLICES - 1) // SLICES):
                z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
                weights = weight
                if meets is not None:
                    one = one_class((meets[2], z, length))
                    if cut and one != SEVERAL:
                        weights = kept
                        for a in range(here if one != of_class else 0):
                            if met[a]:
                                voxels = weight[2 * a], weight[2 * a + 1], row[a], t[a], count
                                seen = a0 + a, first_bin[a], bins_read[a], least[a], largest[a]
                                class_weights(
                                    (kept[2 * a], kept[2 * a + 1]), voxels, meets, ends, depths, seen, one, room
                                )
                            else:
                                kept[2 * a : 2 * a + 2] = weight[2 * a : 2 * a + 2]
                        of_class = one
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
                        if meets is not None and one == SEVERAL and met[a]:
                            voxels = weight[2 * a], weight[2 * a + 1], row[a], t[a], count
                            seen = a0 + a, first_bin[a], bins_read[a], least[a], largest[a]
                            some = meets[2], z, length
                            deposit_apart(total, strip[k * span :], voxels, meets, ends, depths, seen, some, room)
                    if shining:
                        for p in range(count):
                            first = group * GROUP * 2 * shape + p
                            last = first + 2 * members * shape
                            if length <= FEW:
                                add_few(total, p, strip, number, weights, first, last, shape)  # pyright: ignore[reportCallIssue]
                            else:
                                add_rows(total, p, strip, number, weights, first, last, shape)  # pyright: ignore[reportCallIssue]
                for p in range(count):
                    for k in range(length):
                        dose[i[p], j[p], z + k] = total[p, k]


@fast
def collect_angles(dose, light, tiles, cos, sin, x, y, optics, lines, span, profile, meets, ends, depths):
    """Fill some angles of the light: every bin sums, tile by tile, the voxel columns that it lights.

    span, profile, meets, ends, depths   as above, of these angles
    """
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    tile_rows, strip = rows_of_zeros(shape, light), rows_of_zeros(span, light)
    number = np.empty((ANGLES_PER_PASS, shape), np.int32)
    by_near, by_far = np.empty((ANGLES_PER_PASS, shape), light.dtype), np.empty((ANGLES_PER_PASS, shape), light.dtype)
    start = np.zeros((ANGLES_PER_PASS, span + 2), np.int64)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    if meets is not None:
        kept_near, kept_far, row = np.empty_like(by_near), np.empty_like(by_far), np.empty_like(number)
        t, by_t = np.empty(shape), np.empty((ANGLES_PER_PASS, shape))
        least, largest = np.zeros(ANGLES_PER_PASS), np.zeros(ANGLES_PER_PASS)
        met, room = np.zeros(ANGLES_PER_PASS, np.bool_), room_for(span, light, ends, depths)
    for tile in tiles:
        count, of_class = columns_of(tile, x, y, optics[2], i, j, x_in, y_in), SEVERAL
        for a in range(angles):
            first_bin[a], bins_read[a] = weigh_view(
                x_in, y_in, count, cos[a], sin[a], bins, optics, lines, profile, low, near, far
            )
            group_by_bin(count, low, near, far, first_bin[a], bins_read[a], start[a], number[a], by_near[a], by_far[a])
            if meets is not None:
                least[a], largest[a] = along_chords(x_in, y_in, count, cos[a], sin[a], lines, low, near, far, t)
                met[a] = meets_any(meets, (a, first_bin[a], bins_read[a], least[a], largest[a]))
                sorted_by_bin(row[a], by_t[a], t, number[a], start[a], bins_read[a])
        for block in range((slices + SLICES - 1) // SLICES):
            z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
            for p in range(count):
                fetch(tile_rows, np.uint64(p), dose, i[p], j[p], z, length)
            if not lit(tile_rows, 0, count):
                continue
            if meets is not None:
                one = one_class((meets[2], z, length))
            for a in range(angles):
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if 0 <= b < bins:
                        fetch(strip, np.uint64(r), light, a, b, z, length)
                nears, fars, together = by_near[a], by_far[a], True
                if meets is not None and met[a]:
                    seen = a, first_bin[a], bins_read[a], least[a], largest[a]
                    if one == SEVERAL:
                        together = False
                        entries, some = (nears, fars, number[a], by_t[a], start[a]), (meets[2], z, length)
                        collect_apart(strip, tile_rows, entries, meets, ends, depths, seen, some, room)
                    else:
                        own, voxels = (kept_near[a], kept_far[a]), (nears, fars, row[a], by_t[a], count)
                        if one != of_class:
                            class_weights(own, voxels, meets, ends, depths, seen, one, room)
                        nears, fars = own
                for r in range(bins_read[a] - 1 if together else 0):  # into the last bin no voxel column falls
                    first, last = start[a, r], start[a, r + 1]
                    if length <= FEW:
                        add_few_pairs(strip, r, tile_rows, number[a], nears, fars, first, last)  # pyright: ignore[reportCallIssue]
                    else:
                        add_pairs(strip, r, tile_rows, number[a], nears, fars, first, last)  # pyright: ignore[reportCallIssue]
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if 0 <= b < bins:
                        for k in range(length):
                            light[a, b, z + k] = strip[r, k]
            if meets is not None:
                of_class = one if one != SEVERAL else of_class
