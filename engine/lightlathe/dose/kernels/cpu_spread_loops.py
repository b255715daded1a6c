"""The compiled loops of the CPU kernel for rows that spread with depth.

As cpu_loops.py, a tile of voxel columns at a time, but a bin's planes are on no slices: a voxel of magnification M
reads them at places that grow by voxel / (M plane) from slice to slice. Within a tile M varies little. So a few nodes
divide its range of 1 / M evenly; the planes of each bin are resampled onto the slices once at every node, and a voxel
mixes the two nodes beside its own 1 / M. The place it reads at is linear in 1 / M, so the mean of both is right, and
what is left is a blur: two nodes are NODE_ROWS rows of pixels apart at most, at the slice farthest from the pupil's
height. At any real size a row lies within 0.05 rows of where the reference has it and is less than 0.06 rows wider
(tests/dose/test_spread_kernels.py).
"""

import numpy as np

from lightlathe.dose.kernels.cpu_depths import chord_of, transmittance
from lightlathe.dose.kernels.cpu_planes import add_planes, on_planes, on_slices, planes_of, read_at
from lightlathe.dose.kernels.cpu_tiles import SLICES, TILE, columns_of, fast, fetch, inner, lit, rows_of_zeros
from lightlathe.dose.kernels.cpu_vectors import REACH, SHIFTS, add_rows
from lightlathe.dose.kernels.cpu_weights import weigh

NODE_ROWS = 0.5
GROUP = 2  # angles that one pass over a tile adds
ANGLES_PER_PASS = 32  # angles whose weights are kept


@inner
def magnify(x, y, count, cos, sin, bins, optics, at_foot, per_mm, apart, nodes, near, far, node, upper):
    """Of one view at `count` voxel columns: the lower node and the share of the upper one; weights take 1 / M.

    Returns the first node's 1 / M, what it grows by from node to node, and how many there are.
    """
    bin_mm, middle = optics[0], optics[1]
    least, most = np.inf, -np.inf
    for p in range(count):
        s = x[p] * cos + y[p] * sin
        place = min(max(s / bin_mm + middle, 0.0), bins + 1.0)
        below = min(np.floor(place), float(bins))
        k, share = np.int64(below), place - below
        foot = at_foot[k] + share * (at_foot[k + 1] - at_foot[k])
        each = per_mm[k] + share * (per_mm[k + 1] - per_mm[k])
        shrinks = 1.0 / (foot + each * (y[p] * cos - x[p] * sin))
        upper[p] = shrinks
        near[p] *= shrinks
        far[p] *= shrinks
        least, most = min(least, shrinks), max(most, shrinks)
    number = min(np.int64(np.ceil((most - least) / apart)) + 1, nodes)
    step = (most - least) / (number - 1) if number > 1 else 0.0
    for p in range(count):
        place = min((upper[p] - least) / step, number - 1.0) if step > 0 else 0.0  # no share is rounded above 1
        below = min(np.floor(place), max(number - 2.0, 0.0))
        node[p] = np.int64(below)
        upper[p] = place - below if step > 0 else 0.0
    return least, step, number


@inner
def dim(x, y, count, cos, sin, lists, view, low, near, far):
    """Weights of one view, times what inserts of one cross-section leave at each voxel of both bins' light."""
    for p in range(count):
        t = y[p] * cos - x[p] * sin
        if near[p] != 0 or far[p] != 0:
            near[p] *= transmittance(lists, chord_of(lists, view, low[p] - 1, 0), t)
            far[p] *= transmittance(lists, chord_of(lists, view, low[p], 0), t)


@fast
def deposit_tiles(light, dose, tiles, cos, sin, x, y, optics, span, at_foot, per_mm, heights, apart, sizes, lists):
    """Fill the dose of some tiles: every voxel column sums GROUP angles at a time. What comes last: see `_spread`, and
    `lists` as in cpu_depths.py, of one class, or None."""
    planes, slices, nodes, width = sizes
    angles, bins, batch = light.shape[0], light.shape[1], light.shape[2] // planes
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, node, upper = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape)
    total, strip = rows_of_zeros(shape, light), rows_of_zeros(GROUP * span * nodes, light)
    number = np.empty((4 * ANGLES_PER_PASS, shape), np.int32)
    weight = np.empty((4 * ANGLES_PER_PASS, shape), light.dtype)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    inverse, counts = np.zeros((ANGLES_PER_PASS, 2)), np.zeros(ANGLES_PER_PASS, np.int64)
    read, start = np.zeros((nodes, SLICES), np.int64), np.zeros((nodes, 2), np.int64)
    copies, lines = rows_of_zeros(nodes * SHIFTS, light), np.zeros((span, width), light.dtype)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a0 in range(0, angles, ANGLES_PER_PASS):
            here = min(ANGLES_PER_PASS, angles - a0)
            for a in range(here):
                c, n, near, far = cos[a0 + a], sin[a0 + a], weight[4 * a], weight[4 * a + 2]
                first_bin[a], bins_read[a] = weigh(x_in, y_in, count, c, n, bins, optics, low, near, far)
                inverse[a, 0], inverse[a, 1], counts[a] = magnify(
                    x_in, y_in, count, c, n, bins, optics, at_foot, per_mm, apart, nodes, near, far, node, upper
                )
                if lists is not None:
                    dim(x_in, y_in, count, c, n, lists, a0 + a, low, near, far)
                shift = (a % GROUP) * span * nodes - first_bin[a]
                beside = span if counts[a] > 1 else 0
                for p in range(count):
                    at, above = low[p] + shift + node[p] * span, upper[p]
                    number[4 * a, p], number[4 * a + 1, p] = at, at + beside
                    number[4 * a + 2, p], number[4 * a + 3, p] = at + 1, at + 1 + beside
                    weight[4 * a + 1, p], weight[4 * a + 3, p] = near[p] * above, far[p] * above
                    near[p] *= 1 - above
                    far[p] *= 1 - above
            for block in range(batch * ((slices + SLICES - 1) // SLICES)):
                member, z0 = block % batch, block // batch * SLICES
                z, length = np.uint64(member * slices + z0), np.uint64(min(SLICES, slices - z0))
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
                        base, wide = read_at(
                            inverse[a, 0],
                            inverse[a, 1],
                            counts[a],
                            z0,
                            np.int64(length),
                            heights,
                            0,
                            read,
                            copies,
                            start,
                        )
                        for r in range(bins_read[a]):
                            b = first_bin[a] + r - 1
                            if 0 <= b < bins:
                                at = member * planes
                                shining |= planes_of(lines, r, light, a0 + a, b, at, base, wide, planes)
                            else:
                                lines[r] = 0
                        for n in range(counts[a]):
                            row = (k * nodes + n) * span
                            on_slices(lines, bins_read[a], strip, row, n, read, copies, start, np.int64(length))
                    if shining:
                        for p in range(count):
                            first = group * GROUP * 4 * shape + p
                            add_rows(total, p, strip, number, weight, first, first + 4 * members * shape, shape)  # pyright: ignore[reportCallIssue]
                for p in range(count):
                    for k in range(length):
                        dose[i[p], j[p], z + k] = total[p, k]


@inner
def sort_by_row(count, low, node, upper, near, far, first_bin, span, rows, beside, start, number, weight):
    """List what each bin lights at each node: entries start[row] to start[row + 1] of number (voxel column) and weight
    are those of row = node * span + bin."""
    start[: rows + 2] = 0
    for p in range(count):
        at = low[p] - first_bin + node[p] * span + 2
        for k in (at, at + beside, at + 1, at + 1 + beside):
            start[k] += 1
    for row in range(2, rows + 2):
        start[row] += start[row - 1]  # now start[row + 1] is where a row begins; filling it moves that to its end
    for p in range(count):
        at = low[p] - first_bin + node[p] * span + 1
        for row, value in (
            (at, near[p] * (1 - upper[p])),
            (at + beside, near[p] * upper[p]),
            (at + 1, far[p] * (1 - upper[p])),
            (at + 1 + beside, far[p] * upper[p]),
        ):
            k = start[row]
            number[k], weight[k] = p, value
            start[row] = k + 1


@fast
def collect_angles(dose, light, tiles, cos, sin, x, y, optics, span, at_foot, per_mm, heights, apart, sizes, lists):
    """Fill some angles of the light: every bin sums, tile by tile, the voxel columns that it lights."""
    planes, slices, nodes, width = sizes
    angles, bins, batch = light.shape[0], light.shape[1], light.shape[2] // planes
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    node, upper = np.empty(shape, np.int64), np.empty(shape)
    tile_rows, strip = rows_of_zeros(shape, light), rows_of_zeros(span + 3, light)
    number = np.empty((ANGLES_PER_PASS, 4 * shape), np.int32)
    weight = np.empty((ANGLES_PER_PASS, 4 * shape), light.dtype)
    begin = np.zeros((ANGLES_PER_PASS, span * nodes + 3), np.int64)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    inverse, counts = np.zeros((ANGLES_PER_PASS, 2)), np.zeros(ANGLES_PER_PASS, np.int64)
    read, start = np.zeros((nodes, SLICES), np.int64), np.zeros((nodes, 2), np.int64)
    copies = np.zeros((nodes * SHIFTS, REACH), light.dtype)
    lines = np.zeros((span, width), light.dtype)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a in range(angles):
            c, n = cos[a], sin[a]
            first_bin[a], bins_read[a] = weigh(x_in, y_in, count, c, n, bins, optics, low, near, far)
            inverse[a, 0], inverse[a, 1], counts[a] = magnify(
                x_in, y_in, count, c, n, bins, optics, at_foot, per_mm, apart, nodes, near, far, node, upper
            )
            if lists is not None:
                dim(x_in, y_in, count, c, n, lists, a, low, near, far)
            beside = span if counts[a] > 1 else 0
            sort_by_row(
                count, low, node, upper, near, far, first_bin[a], span, span * counts[a], beside, begin[a], number[a],
                weight[a],
            )  # fmt: skip
        for block in range(batch * ((slices + SLICES - 1) // SLICES)):
            member, z0 = block % batch, block // batch * SLICES
            z, length = np.uint64(member * slices + z0), np.uint64(min(SLICES, slices - z0))
            for p in range(count):
                fetch(tile_rows, np.uint64(p), dose, i[p], j[p], z, length)
            if not lit(tile_rows, 0, count):
                continue
            for a in range(angles):
                base, wide = read_at(
                    inverse[a, 0], inverse[a, 1], counts[a], z0, np.int64(length), heights, 1, read, copies, start
                )
                lines[: bins_read[a]] = 0
                for n in range(counts[a]):
                    for r in range(bins_read[a]):
                        row = n * span + r
                        strip[r + 1] = 0
                        add_rows(strip, r + 1, tile_rows, number[a], weight[a], begin[a, row], begin[a, row + 1], 1)  # pyright: ignore[reportCallIssue]
                    on_planes(lines, bins_read[a], strip, 1, n, read, copies, start, np.int64(length))
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if 0 <= b < bins:
                        add_planes(light, a, b, member * planes, lines, r, base, wide, planes)
