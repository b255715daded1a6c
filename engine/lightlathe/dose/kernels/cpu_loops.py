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

TILE = 24
SLICES = 64  # one row of numbers: 4 registers of 16 float32 where the machine has AVX-512
GROUP = 4  # angles that one pass over a tile adds
FIRST = np.uint64(0)
ANGLES_PER_PASS = 64  # angles whose weights are kept; read once, used for every block of slices
INVERSES = tuple(1 / k for k in range(13, 0, -1))  # of the series of exp

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})
# called by compiled functions alone: kept within those; without entries for Python they take less time to compile
inner = njit(error_model="numpy", fastmath={"contract"}, no_cpython_wrapper=True, no_cfunc_wrapper=True)  # pyright: ignore[reportCallIssue]


@intrinsic
def add_rows(context, out, i, rows, number, weight, first, last, step):
    """out[i] += sum of weight[k] * rows[number[k]] over k in range(first, last, step), each row SLICES long.

    Spelled in LLVM's vectors, so that the sum stays in registers on every machine, whatever the compiler guesses.
    """

    def codegen(context, builder, signature, values):
        data = [context.make_array(t)(context, builder, v).data if isinstance(t, types.Array) else v
                for t, v in zip(signature.args, values, strict=True)]  # fmt: skip
        out, i, rows, number, weight, first, last, step = data
        vector = ir.VectorType(context.get_value_type(signature.args[0].dtype), SLICES)
        nowhere, zero = ir.Constant(vector, ir.Undefined), ir.Constant(ir.IntType(32), 0)
        every = ir.Constant(ir.VectorType(zero.type, SLICES), [0] * SLICES)

        def row_of(base, k):
            return builder.bitcast(builder.gep(base, [builder.mul(k, k.type(SLICES))]), vector.as_pointer())

        def number_of(k):
            return builder.sext(builder.load(builder.gep(number, [k])), i.type)

        place = row_of(out, i)
        total = cgutils.alloca_once_value(builder, builder.load(place, align=4))
        with cgutils.for_range_slice(builder, first, last, step) as (k, _):
            row = builder.load(row_of(rows, number_of(k)), align=4)
            lone = builder.insert_element(nowhere, builder.load(builder.gep(weight, [k])), zero)
            term = builder.fmul(builder.shuffle_vector(lone, nowhere, every), row, flags=["contract"])
            builder.store(builder.fadd(builder.load(total), term, flags=["contract"]), total)
        builder.store(builder.load(total), place, align=4)
        return context.get_dummy_value()

    return types.void(out, i, rows, number, weight, first, last, step), codegen


@inner
def rows_of_zeros(count, like):
    """(count, SLICES) zeros of the dtype of `like`, starting on a cache line."""
    size = like.itemsize
    memory = np.zeros(count * SLICES + 64 // size, like.dtype)
    skip = (-memory.ctypes.data % 64) // size
    return memory[skip : skip + count * SLICES].reshape(count, SLICES)


@inner
def exp_of_negative(x):
    """exp(x) for x <= 0 to a few last digits of float64; written out because a call would not vectorise."""
    x = max(x, -700.0)
    doublings = np.floor(x * 1.4426950408889634 + 0.5)
    x = x - doublings * 0.6931471805599453
    series = 1.0
    for inverse in INVERSES:
        series = 1.0 + series * x * inverse
    return series * np.int64((np.int64(doublings) + 1023) << 52).view(np.float64)


@inner
def in_band(t, optics):
    """The weight of light at t, where views are one of several bands of depth; 1 where they are all."""
    focus, rise_at, rise, fall_at, fall = optics[5:]
    away = abs(t - focus)
    return min(max(min(rise_at + rise * away, fall_at - fall * away), 0.0), 1.0)


@inner
def weigh(x, y, count, cos, sin, bins, optics, low, near, far):
    """Of one view at `count` voxel columns: the lower bin (one dark bin counted at each end), its weight, the next's.

    Returns the first bin that the tile reads and how many.
    """
    bin_mm, middle, radius_mm, absorption_per_mm, gain = optics[:5]
    for p in range(count):
        s, t = x[p] * cos + y[p] * sin, y[p] * cos - x[p] * sin
        place = min(max(s / bin_mm + middle, 0.0), bins + 1.0)
        below = min(np.floor(place), float(bins))
        depth = np.sqrt(max(radius_mm * radius_mm - s * s, 0.0)) + t
        light = gain * exp_of_negative(-absorption_per_mm * max(depth, 0.0)) * in_band(t, optics)
        light = light if (place > 0.0) & (place < bins + 1.0) else 0.0
        low[p] = np.int64(below)
        near[p] = light * (1.0 - (place - below))
        far[p] = light * (place - below)
    first, last = low[0], low[0]
    for p in range(count):
        first, last = min(first, low[p]), max(last, low[p])
    return first, last + 2 - first


@inner
def shape_pixels(count, near, far, profile):
    """Weights of bins that are read linearly become those of a profile of the pixels, which ends within a bin of them.

    profile   its values at even distances from 0 to one bin, linear between them
    """
    knots = len(profile) - 1
    for p in range(count):
        light = np.float64(near[p]) + np.float64(far[p])
        if light != 0:
            place = min(max(far[p] / light, 0.0), 1.0) * knots
            k = min(np.int64(place), knots - 1)
            part = place - k
            near[p] = light * (profile[k] + part * (profile[k + 1] - profile[k]))
            far[p] = light * (profile[knots - k] + part * (profile[knots - k - 1] - profile[knots - k]))


@inner
def weigh_lines(x, y, count, cos, sin, bins, optics, lines, low, near, far):
    """The same for bins that are chords of their own; the search goes on from one voxel column to the next.

    Places are distances to the two chords beside a voxel; the turn between the chords is theirs in that proportion.
    """
    _, _, radius_mm, absorption_per_mm, gain = optics[:5]
    offset, turn, across, along = lines
    k, first, last = 0, bins, 0
    for p in range(count):
        s, t = x[p] * cos + y[p] * sin, y[p] * cos - x[p] * sin
        while k < bins and s * across[k + 1] + t * along[k + 1] >= offset[k + 1]:
            k += 1
        while k > 0 and s * across[k] + t * along[k] < offset[k]:
            k -= 1
        below = s * across[k] + t * along[k] - offset[k]
        above = s * across[k + 1] + t * along[k + 1] - offset[k + 1]
        lit = (below >= 0) & (above < 0)
        part = below / (below - above) if lit else 0.0
        bend = part * (turn[k + 1] - turn[k])
        turned = s * across[k] + t * along[k], t * across[k] - s * along[k]
        s, t = turned[0] * np.cos(bend) + turned[1] * np.sin(bend), turned[1] * np.cos(bend) - turned[0] * np.sin(bend)
        depth = np.sqrt(max(radius_mm * radius_mm - s * s, 0.0)) + t
        light = gain * exp_of_negative(-absorption_per_mm * max(depth, 0.0)) * in_band(t, optics) if lit else 0.0
        low[p] = k
        near[p] = light * (1.0 - part)
        far[p] = light * part
        first, last = min(first, k), max(last, k)
    return first, last + 2 - first


@inner
def columns_of(tile, x, y, radius_mm, i, j, x_in, y_in):
    """The voxel columns of a tile that lie in the resin, by number and by place; returns how many."""
    count = 0
    for a in range(tile[0], min(tile[0] + TILE, len(x))):
        for b in range(tile[1], min(tile[1] + TILE, len(y))):
            if x[a] * x[a] + y[b] * y[b] <= radius_mm * radius_mm * (1 + 1e-12):
                i[count], j[count], x_in[count], y_in[count] = a, b, x[a], y[b]
                count += 1
    return count


@inner
def fetch(rows, r, array, a, b, z, length):
    """Copy array[a, b, z : z + length] into rows[r]. r, z and length are unsigned: no index counts from the end."""
    for k in range(length):
        rows[r, k] = array[a, b, z + k]


@inner
def lit(rows, first, last):
    """True if any number of rows first to last is not 0; fast where most are not."""
    for r in range(first, last):
        for k in range(SLICES):
            if rows[r, k] != 0:
                return True
    return False


@inner
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
def deposit_tiles(light, dose, tiles, cos, sin, x, y, optics, lines, span, profile):
    """Fill the dose of some tiles: every voxel column sums GROUP angles at a time.

    span      the most bins a tile reads
    profile   see shape_pixels; empty where bins are read linearly
    """
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    total, strip = rows_of_zeros(shape, light), rows_of_zeros(GROUP * span, light)
    low, number = np.empty(shape, np.int64), np.empty((2 * ANGLES_PER_PASS, shape), np.int32)
    weight = np.empty((2 * ANGLES_PER_PASS, shape), light.dtype)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a0 in range(0, angles, ANGLES_PER_PASS):
            here = min(ANGLES_PER_PASS, angles - a0)
            for a in range(here):
                c, n, near, far = cos[a0 + a], sin[a0 + a], weight[2 * a], weight[2 * a + 1]
                if len(lines[0]) == 0:
                    first_bin[a], bins_read[a] = weigh(x_in, y_in, count, c, n, bins, optics, low, near, far)
                    if len(profile) > 0:
                        shape_pixels(count, near, far, profile)
                else:
                    first_bin[a], bins_read[a] = weigh_lines(
                        x_in, y_in, count, c, n, bins, optics, lines, low, near, far
                    )
                shift = (a % GROUP) * span - first_bin[a]
                for p in range(count):
                    number[2 * a, p] = low[p] + shift
                    number[2 * a + 1, p] = low[p] + shift + 1
            for block in range((slices + SLICES - 1) // SLICES):
                z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
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
                    if shining:
                        for p in range(count):
                            first = group * GROUP * 2 * shape + p
                            add_rows(total, p, strip, number, weight, first, first + 2 * members * shape, shape)  # pyright: ignore[reportCallIssue]
                for p in range(count):
                    for k in range(length):
                        dose[i[p], j[p], z + k] = total[p, k]


@fast
def collect_angles(dose, light, tiles, cos, sin, x, y, optics, lines, span, profile):
    """Fill some angles of the light: every bin sums, tile by tile, the voxel columns that it lights.

    span, profile   as above
    """
    angles, bins, slices = light.shape
    shape = TILE * TILE
    i, j, x_in, y_in = np.empty(shape, np.int64), np.empty(shape, np.int64), np.empty(shape), np.empty(shape)
    low, near, far = np.empty(shape, np.int64), np.empty(shape, light.dtype), np.empty(shape, light.dtype)
    tile_rows, total = rows_of_zeros(shape, light), rows_of_zeros(1, light)
    number = np.empty((ANGLES_PER_PASS, 2 * shape), np.int32)
    weight = np.empty((ANGLES_PER_PASS, 2 * shape), light.dtype)
    start = np.zeros((ANGLES_PER_PASS, span + 2), np.int64)
    first_bin, bins_read = np.zeros(ANGLES_PER_PASS, np.int64), np.zeros(ANGLES_PER_PASS, np.int64)
    for tile in tiles:
        count = columns_of(tile, x, y, optics[2], i, j, x_in, y_in)
        for a in range(angles):
            if len(lines[0]) == 0:
                first_bin[a], bins_read[a] = weigh(x_in, y_in, count, cos[a], sin[a], bins, optics, low, near, far)
                if len(profile) > 0:
                    shape_pixels(count, near, far, profile)
            else:
                first_bin[a], bins_read[a] = weigh_lines(
                    x_in, y_in, count, cos[a], sin[a], bins, optics, lines, low, near, far
                )
            sort_by_bin(count, low, near, far, first_bin[a], bins_read[a], start[a], number[a], weight[a])
        for block in range((slices + SLICES - 1) // SLICES):
            z, length = np.uint64(block * SLICES), np.uint64(min(SLICES, slices - block * SLICES))
            for p in range(count):
                fetch(tile_rows, np.uint64(p), dose, i[p], j[p], z, length)
            if not lit(tile_rows, 0, count):
                continue
            for a in range(angles):
                for r in range(bins_read[a]):
                    b = first_bin[a] + r - 1
                    if 0 <= b < bins:
                        fetch(total, FIRST, light, a, b, z, length)
                        add_rows(total, 0, tile_rows, number[a], weight[a], start[a, r], start[a, r + 1], 1)  # pyright: ignore[reportCallIssue]
                        for k in range(length):
                            light[a, b, z + k] = total[FIRST, k]
