"""The compiled loops of the CPU kernel for rows that spread with depth.

As cpu_loops.py, a tile of voxel columns at a time, but a bin's planes are on no slices: a voxel of magnification M
reads them at places that grow by voxel / (M plane) from slice to slice. Within a tile M varies little. So 1 / M is
divided evenly by a few nodes; the planes of each bin are resampled onto the slices once at every node, and a voxel
mixes the two nodes beside its own 1 / M. The place it reads at is linear in 1 / M, so the mean of both is right, and what is left is a blur: NODE_ROWS is
the largest distance of two nodes in rows of pixels, at the slice farthest from the pupil's height.

Resampling a row is a sum of shifted copies of it under weights: where slices are about as far apart as planes, the
numbers of the planes that a block of slices reads differ from those of the slices by a few values only.
"""

import numpy as np
from llvmlite import ir
from numba import njit
from numba.core import cgutils, types
from numba.extending import intrinsic

from lightlathe.dose.kernels.cpu_loops import (
    FIRST,
    SLICES,
    TILE,
    add_rows,
    columns_of,
    fetch,
    lit,
    rows_of_zeros,
    weigh,
)

NODE_ROWS = 0.5
GROUP = 2  # angles that one pass over a tile adds
ANGLES_PER_PASS = 32  # angles whose weights are kept
SHIFTS = 8  # copies that a row is made of at most; beyond, slice by slice

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})
inner = njit(error_model="numpy", fastmath={"contract"}, no_cpython_wrapper=True, no_cfunc_wrapper=True)  # pyright: ignore[reportCallIssue]


def _vectors(context, builder, signature, values):
    """Pointers of the arrays among the values, the others as they are; and the vector of SLICES numbers."""
    data = [context.make_array(t)(context, builder, v).data if isinstance(t, types.Array) else v
            for t, v in zip(signature.args, values, strict=True)]  # fmt: skip
    return data, ir.VectorType(context.get_value_type(signature.args[0].dtype), SLICES)


@intrinsic
def add_shifted(context, out, i, line, start, weight, first, last):
    """out[i] += sum over k from first to last of weight[k] * line[start + k - first : ... + SLICES], in registers."""

    def codegen(context, builder, signature, values):
        (out, i, line, start, weight, first, last), vector = _vectors(context, builder, signature, values)

        def slices_at(base, k):
            return builder.bitcast(builder.gep(base, [k]), vector.as_pointer())

        def row_of(base, k):
            return slices_at(base, builder.mul(k, k.type(SLICES)))

        place = row_of(out, i)
        total = cgutils.alloca_once_value(builder, builder.load(place, align=4))
        with cgutils.for_range_slice(builder, first, last, first.type(1)) as (k, _):
            copy = builder.load(slices_at(line, builder.add(start, builder.sub(k, first))), align=4)
            term = builder.fmul(builder.load(row_of(weight, k), align=4), copy, flags=["contract"])
            builder.store(builder.fadd(builder.load(total), term, flags=["contract"]), total)
        builder.store(builder.load(total), place, align=4)
        return context.get_dummy_value()

    return types.void(out, i, line, start, weight, first, last), codegen


@intrinsic
def spread_shifted(context, line, start, rows, i, weight, first, last):
    """The transpose: line[start + k - first : ... + SLICES] += weight[k] * rows[i]."""

    def codegen(context, builder, signature, values):
        (line, start, rows, i, weight, first, last), vector = _vectors(context, builder, signature, values)

        def slices_at(base, k):
            return builder.bitcast(builder.gep(base, [k]), vector.as_pointer())

        def row_of(base, k):
            return slices_at(base, builder.mul(k, k.type(SLICES)))

        row = builder.load(row_of(rows, i), align=4)
        with cgutils.for_range_slice(builder, first, last, first.type(1)) as (k, _):
            place = slices_at(line, builder.add(start, builder.sub(k, first)))
            term = builder.fmul(builder.load(row_of(weight, k), align=4), row, flags=["contract"])
            builder.store(builder.fadd(builder.load(place, align=4), term, flags=["contract"]), place, align=4)
        return context.get_dummy_value()

    return types.void(line, start, rows, i, weight, first, last), codegen


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
        place = (upper[p] - least) / step if step > 0 else 0.0
        below = min(np.floor(place), max(number - 2.0, 0.0))
        node[p] = np.int64(below)
        upper[p] = place - below if step > 0 else 0.0
    return least, step, number


@inner
def read_at(first, step, number, z, length, heights, numbers, weight, start):
    """Where the slices z to z + length read the planes at every node.

    numbers, weight   (node, SLICES) number of the lower plane counted from the first that any reads; (node * SHIFTS,
                      SLICES) the weights of shifted copies, or in the first row of a node the share of the upper plane
    start             (node, 2) first shift and how many copies; 0 of them where slices are read one by one
    Returns the first plane that any reads, and how many are read.
    """
    at_zero, pupil, growth = heights
    low, high = np.inf, -np.inf
    for n in range(number):
        shrinks = first + n * step
        for k in (0, length - 1):
            place = at_zero + (z + k - pupil) * growth * shrinks
            low, high = min(low, np.floor(place)), max(high, np.floor(place))
    base = np.int64(low)
    for n in range(number):
        shrinks = first + n * step
        for k in range(SLICES):
            place = at_zero + (z + k - pupil) * growth * shrinks
            below = np.floor(place)
            numbers[n, k] = np.int64(below) - base
            weight[n * SHIFTS, k] = place - below
        ends = numbers[n, 0], numbers[n, length - 1] - (length - 1)
        shift, copies = min(ends[0], ends[1]), abs(ends[0] - ends[1]) + 2
        start[n, 0], start[n, 1] = shift, copies if (copies <= SHIFTS) & (shift >= 0) else 0
        if start[n, 1] > 0:
            for k in range(SLICES):
                share = weight[n * SHIFTS, k]
                weight[n * SHIFTS, k] = 0
                for c in range(1, copies):
                    weight[n * SHIFTS + c, k] = 0
                c = numbers[n, k] - k - shift
                if (k < length) & (c >= 0) & (c < copies - 1):
                    weight[n * SHIFTS + c, k] = 1 - share
                    weight[n * SHIFTS + c + 1, k] = share
    return base, np.int64(high) + 2 - base


@inner
def on_slices(line, strip, row, n, numbers, weight, start, length):
    """strip[row] = the planes of a line as the slices read them at node n."""
    for k in range(SLICES):
        strip[row, k] = 0
    if start[n, 1] > 0:
        first = n * SHIFTS
        add_shifted(strip, row, line, start[n, 0], weight, first, first + start[n, 1])  # pyright: ignore[reportCallIssue]
    else:
        for k in range(length):
            share = weight[n * SHIFTS, k]
            strip[row, k] = (1 - share) * line[numbers[n, k]] + share * line[numbers[n, k] + 1]


@inner
def on_planes(line, strip, row, n, numbers, weight, start, length):
    """The transpose: line += what the slices of strip[row] read of it at node n."""
    if start[n, 1] > 0:
        first = n * SHIFTS
        spread_shifted(line, start[n, 0], strip, row, weight, first, first + start[n, 1])  # pyright: ignore[reportCallIssue]
    else:
        for k in range(length):
            share = weight[n * SHIFTS, k]
            line[numbers[n, k]] += (1 - share) * strip[row, k]
            line[numbers[n, k] + 1] += share * strip[row, k]


@fast
def deposit_tiles(light, dose, tiles, cos, sin, x, y, optics, span, at_foot, per_mm, heights, apart, sizes):
    """Fill the dose of some tiles: every voxel column sums GROUP angles at a time. See `_spread` for what comes last."""
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
    copies, line = rows_of_zeros(nodes * SHIFTS, light), np.zeros(width, light.dtype)
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
                shift = (a % GROUP) * span - first_bin[a]
                beside = 1 if counts[a] > 1 else 0
                for p in range(count):
                    at, above = (low[p] + shift) * nodes + node[p], upper[p]
                    number[4 * a, p], number[4 * a + 1, p] = at, at + beside
                    number[4 * a + 2, p], number[4 * a + 3, p] = at + nodes, at + nodes + beside
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
                            inverse[a, 0], inverse[a, 1], counts[a], z0, np.int64(length), heights, read, copies, start
                        )
                        for r in range(bins_read[a]):
                            b, row = first_bin[a] + r - 1, (k * span + r) * nodes
                            bright = False
                            if 0 <= b < bins:
                                for plane in range(wide):
                                    inside = 0 <= base + plane < planes
                                    line[plane] = light[a0 + a, b, member * planes + base + plane] if inside else 0
                                    bright = bright or line[plane] != 0
                            for n in range(counts[a]):
                                if bright:
                                    on_slices(line, strip, row + n, n, read, copies, start, np.int64(length))
                                else:
                                    strip[row + n] = 0
                            shining = shining or bright
                    if shining:
                        for p in range(count):
                            first = group * GROUP * 4 * shape + p
                            add_rows(total, p, strip, number, weight, first, first + 4 * members * shape, shape)  # pyright: ignore[reportCallIssue]
                for p in range(count):
                    for k in range(length):
                        dose[i[p], j[p], z + k] = total[p, k]


@inner
def sort_by_row(count, low, node, upper, near, far, first_bin, bins_read, nodes, beside, start, number, weight):
    """List what each bin lights at each node: entries start[row] to start[row + 1] of number (voxel column) and weight
    are those of row = bin * nodes + node."""
    start[: bins_read * nodes + 2] = 0
    for p in range(count):
        at = (low[p] - first_bin) * nodes + node[p] + 2
        for k in (at, at + beside, at + nodes, at + nodes + beside):
            start[k] += 1
    for row in range(2, bins_read * nodes + 2):
        start[row] += start[row - 1]  # now start[row + 1] is where a row begins; filling it moves that to its end
    for p in range(count):
        at = (low[p] - first_bin) * nodes + node[p] + 1
        for row, value in (
            (at, near[p] * (1 - upper[p])),
            (at + beside, near[p] * upper[p]),
            (at + nodes, far[p] * (1 - upper[p])),
            (at + nodes + beside, far[p] * upper[p]),
        ):
            k = start[row]
            number[k], weight[k] = p, value
            start[row] = k + 1


@fast
def collect_angles(dose, light, tiles, cos, sin, x, y, optics, span, at_foot, per_mm, heights, apart, sizes):
    """Fill some angles of the light: every bin sums, tile by tile, the voxel columns that it lights."""
    planes, slices, nodes, width = sizes
    angles, bins, batch = light.shape[0], light.shape[1], light.shape[2] // planes
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    node, upper = np.empty(shape, np.int64), np.empty(shape)
    tile_rows, total = rows_of_zeros(shape, light), rows_of_zeros(1, light)
    number = np.empty((ANGLES_PER_PASS, 4 * shape), np.int32)
    weight = np.empty((ANGLES_PER_PASS, 4 * shape), light.dtype)
    begin = np.zeros((ANGLES_PER_PASS, span * nodes + 3), np.int64)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    inverse, counts = np.zeros((ANGLES_PER_PASS, 2)), np.zeros(ANGLES_PER_PASS, np.int64)
    read, start = np.zeros((nodes, SLICES), np.int64), np.zeros((nodes, 2), np.int64)
    copies, line = rows_of_zeros(nodes * SHIFTS, light), np.zeros(width, light.dtype)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a in range(angles):
            c, n = cos[a], sin[a]
            first_bin[a], bins_read[a] = weigh(x_in, y_in, count, c, n, bins, optics, low, near, far)
            inverse[a, 0], inverse[a, 1], counts[a] = magnify(
                x_in, y_in, count, c, n, bins, optics, at_foot, per_mm, apart, nodes, near, far, node, upper
            )
            beside = 1 if counts[a] > 1 else 0
            sort_by_row(
                count, low, node, upper, near, far, first_bin[a], bins_read[a], nodes, beside, begin[a], number[a],
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
                    inverse[a, 0], inverse[a, 1], counts[a], z0, np.int64(length), heights, read, copies, start
                )
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if 0 <= b < bins:
                        line[:] = 0
                        for n in range(counts[a]):
                            row = r * nodes + n
                            if begin[a, row + 1] > begin[a, row]:
                                for k in range(SLICES):
                                    total[FIRST, k] = 0
                                add_rows(total, 0, tile_rows, number[a], weight[a], begin[a, row], begin[a, row + 1], 1)  # pyright: ignore[reportCallIssue]
                                on_planes(line, total, 0, n, read, copies, start, np.int64(length))
                        for plane in range(wide):
                            if 0 <= base + plane < planes:
                                light[a, b, member * planes + base + plane] += line[plane]
