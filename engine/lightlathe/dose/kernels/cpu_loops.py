"""The compiled loops of the CPU kernel.

All slices share one set of weights, so both directions are a sparse matrix, made on the fly a tile at a time, times
dense rows of SLICES slices: `add_rows` is that product and nearly all of the time. A tile is TILE x TILE voxel
columns; its rows are copied side by side first, because rows a power of two apart would share a few cache lines.
"""

import numpy as np
from llvmlite import ir
from numba import njit
from numba.core import cgutils, types
from numba.extending import intrinsic

TILE = 16
SLICES = 64  # one row of numbers: 4 registers of 16 float32 where the machine has AVX-512
GROUP = 4  # angles that one pass over a tile adds
ANGLES_AT_ONCE = 64  # angles whose weights are kept; read once, used for every block of slices
BINS = 24  # the most that a tile reads of one view: its diagonal of 15 * sqrt(2) bins, rounded up, and two

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})


@intrinsic
def add_rows(context, out, i, rows, number, weight, first, last):  # type: ignore[no-untyped-def]
    """out[i] += sum over k in first..last of weight[k] * rows[number[k]], each row SLICES long.

    Spelled in LLVM's vectors, so that the sum stays in registers on every machine, whatever the compiler guesses.
    """

    def codegen(context, builder, signature, values):  # type: ignore[no-untyped-def]
        data = [context.make_array(t)(context, builder, v).data if isinstance(t, types.Array) else v
                for t, v in zip(signature.args, values, strict=True)]  # fmt: skip
        out, i, rows, number, weight, first, last = data
        vector = ir.VectorType(context.get_value_type(signature.args[0].dtype), SLICES)
        nowhere, zero = ir.Constant(vector, ir.Undefined), ir.Constant(ir.IntType(32), 0)
        every = ir.Constant(ir.VectorType(zero.type, SLICES), [0] * SLICES)

        def row_of(base, k):  # type: ignore[no-untyped-def]
            return builder.bitcast(builder.gep(base, [builder.mul(k, k.type(SLICES))]), vector.as_pointer())

        place = row_of(out, i)
        total = cgutils.alloca_once_value(builder, builder.load(place, align=4))
        with cgutils.for_range_slice(builder, first, last, first.type(1)) as (k, _):
            row = builder.load(row_of(rows, builder.load(builder.gep(number, [k]))), align=4)
            lone = builder.insert_element(nowhere, builder.load(builder.gep(weight, [k])), zero)
            term = builder.fmul(builder.shuffle_vector(lone, nowhere, every), row, flags=["contract"])
            builder.store(builder.fadd(builder.load(total), term, flags=["contract"]), total)
        builder.store(builder.load(total), place, align=4)
        return context.get_dummy_value()

    return types.void(out, i, rows, number, weight, first, last), codegen


@fast
def rows_of_zeros(count, like):
    """(count, SLICES) zeros of the dtype of `like`, starting on a cache line."""
    size = like.itemsize
    memory = np.zeros(count * SLICES + 64 // size, like.dtype)
    skip = (-memory.ctypes.data % 64) // size
    return memory[skip : skip + count * SLICES].reshape(count, SLICES)


@fast
def exp_of_negative(x):
    """exp(x) for x <= 0 to a few last digits of float64; written out because a call would not vectorise."""
    x = max(x, -700.0)
    doublings = np.floor(x * 1.4426950408889634 + 0.5)
    x = x - doublings * 0.6931471805599453
    series = 1.0
    for k in range(13, 0, -1):
        series = 1.0 + series * x * (1.0 / k)
    return series * np.int64((np.int64(doublings) + 1023) << 52).view(np.float64)


@fast
def weigh(x, y, count, cos, sin, bins, optics, low, near, far):
    """Of one view at `count` voxel columns: the lower bin (one dark bin counted at each end), its weight, the next's.

    Returns the first bin that the tile reads and how many.
    """
    bin_mm, radius_mm, absorption_per_mm = optics
    for p in range(count):
        s = x[p] * cos + y[p] * sin
        place = min(max(s / bin_mm + (0.5 * (bins - 1) + 1.0), 0.0), bins + 1.0)
        below = min(np.floor(place), float(bins))
        depth = np.sqrt(max(radius_mm * radius_mm - s * s, 0.0)) + (y[p] * cos - x[p] * sin)
        light = exp_of_negative(-absorption_per_mm * max(depth, 0.0))
        light = light if (place > 0.0) & (place < bins + 1.0) else 0.0
        low[p] = np.int64(below)
        near[p] = light * (1.0 - (place - below))
        far[p] = light * (place - below)
    first, last = low[0], low[0]
    for p in range(count):
        first, last = min(first, low[p]), max(last, low[p])
    return first, last + 2 - first


@fast
def columns_of(tile, x, y, radius_mm, i, j, x_in, y_in):
    """The voxel columns of a tile that lie in the resin, by number and by place; returns how many."""
    count = 0
    for a in range(tile[0], min(tile[0] + TILE, len(x))):
        for b in range(tile[1], min(tile[1] + TILE, len(y))):
            if x[a] * x[a] + y[b] * y[b] <= radius_mm * radius_mm * (1 + 1e-12):
                i[count], j[count], x_in[count], y_in[count] = a, b, x[a], y[b]
                count += 1
    return count


@fast
def fetch(row, array, a, b, z, length):
    """Copy array[a, b, z : z + length] into the row; True if any of it is not 0. z and length are unsigned."""
    lit = False
    for k in range(length):
        row[k] = array[a, b, z + k]
        lit |= row[k] != 0
    return lit


@fast
def sort_by_bin(count, low, near, far, first_bin, bins_read, start, number, weight):
    """List what each bin lights: entries start[r] to start[r + 1] of number (voxel column) and weight are bin r's."""
    start[:] = 0
    for p in range(count):
        start[low[p] - first_bin + 2] += 1
        start[low[p] - first_bin + 3] += 1
    for r in range(2, bins_read + 2):
        start[r] += start[r - 1]  # now start[r + 1] is where bin r begins; filling bin r moves it to its end
    for p in range(count):
        r = low[p] - first_bin
        at = start[r + 1]
        number[at], weight[at] = p, near[p]
        start[r + 1] = at + 1
        at = start[r + 2]
        number[at], weight[at] = p, far[p]
        start[r + 2] = at + 1


@fast
def deposit_tiles(light, dose, tiles, cos, sin, x, y, optics):
    """Fill the dose of some tiles: every voxel column sums GROUP angles at a time."""
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    total, strip = rows_of_zeros(shape, light), rows_of_zeros(GROUP * BINS, light)
    number = np.empty((ANGLES_AT_ONCE // GROUP, shape * 2 * GROUP), np.int64)
    weight = np.empty((ANGLES_AT_ONCE // GROUP, shape * 2 * GROUP), light.dtype)
    first_bin, bins_read = np.zeros(ANGLES_AT_ONCE, np.int64), np.zeros(ANGLES_AT_ONCE, np.int64)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[1], i, j, x_in, y_in)
        for a0 in range(0, angles, ANGLES_AT_ONCE):
            here = min(ANGLES_AT_ONCE, angles - a0)
            for a in range(here):
                first_bin[a], bins_read[a] = weigh(
                    x_in, y_in, count, cos[a0 + a], sin[a0 + a], bins, optics, low, near, far
                )
                group, k = a // GROUP, a % GROUP
                for p in range(count):
                    at = (p * GROUP + k) * 2
                    number[group, at] = low[p] - first_bin[a] + k * BINS
                    number[group, at + 1] = low[p] - first_bin[a] + k * BINS + 1
                    weight[group, at] = near[p]
                    weight[group, at + 1] = far[p]
            for block in range((slices + SLICES - 1) // SLICES):
                z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
                for p in range(count):
                    fetch(total[p], dose, i[p], j[p], z, length)
                for group in range((here + GROUP - 1) // GROUP):
                    members = min(GROUP, here - group * GROUP)
                    lit = False
                    for k in range(members):
                        a = group * GROUP + k
                        for r in range(bins_read[a]):
                            b = first_bin[a] + r - 1
                            if 0 <= b < bins:
                                lit |= fetch(strip[k * BINS + r], light, a0 + a, b, z, length)
                            else:
                                strip[k * BINS + r] = 0
                    if lit:
                        for p in range(count):
                            at = p * GROUP * 2
                            add_rows(total, p, strip, number[group], weight[group], at, at + 2 * members)
                for p in range(count):
                    for k in range(length):
                        dose[i[p], j[p], z + k] = total[p, k]


@fast
def collect_angles(dose, light, tiles, cos, sin, x, y, optics):
    """Fill some angles of the light: every bin sums, tile by tile, the voxel columns that it lights."""
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    tile_rows, total = rows_of_zeros(shape, light), rows_of_zeros(1, light)
    number = np.empty((ANGLES_AT_ONCE, 2 * shape), np.int64)
    weight = np.empty((ANGLES_AT_ONCE, 2 * shape), light.dtype)
    start = np.zeros((ANGLES_AT_ONCE, BINS + 2), np.int64)
    first_bin, bins_read = np.zeros(ANGLES_AT_ONCE, np.int64), np.zeros(ANGLES_AT_ONCE, np.int64)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[1], i, j, x_in, y_in)
        for a in range(angles):
            first_bin[a], bins_read[a] = weigh(x_in, y_in, count, cos[a], sin[a], bins, optics, low, near, far)
            sort_by_bin(count, low, near, far, first_bin[a], bins_read[a], start[a], number[a], weight[a])
        for block in range((slices + SLICES - 1) // SLICES):
            z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
            lit = False
            for p in range(count):
                lit |= fetch(tile_rows[p], dose, i[p], j[p], z, length)
            if not lit:
                continue
            for a in range(angles):
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if 0 <= b < bins:
                        fetch(total[0], light, a, b, z, length)
                        add_rows(total, 0, tile_rows, number[a], weight[a], start[a, r], start[a, r + 1])
                        for k in range(length):
                            light[a, b, z + k] = total[0, k]
