"""The dose kernels in Triton: linear interpolation as small dense products on the matrix units.

All slices share the in-plane weights, so a tile of voxel columns and the bins that it reads are one product:
dose[column, z] += W[column, bin] @ views[bin, z], with W = max(0, 1 - |place - bin|) times the light that is left.
W is made on the fly. Two of sixteen products are useful, and still it beats the texture units.

The operands are float16, scaled by a power of two (see `to_halves`), the sums float32. With SPLIT each number is
carried as the sum of two halves and three products are taken: as exact as float32.
A place is x * c + y * s with c and s in two parts (dose/kernels/directions.py), in both kernels alike.
"""

import triton
import triton.language as tl


@triton.jit
def _scale(low, high):
    """The power of two that brings max(-low, high) to 2^13..2^14, and its inverse; exact."""
    exponent = (tl.maximum(-tl.load(low), tl.load(high)).to(tl.int32, bitcast=True) >> 23) & 255
    field = tl.minimum(267 - exponent, 253)
    return (field << 23).to(tl.float32, bitcast=True), ((254 - field) << 23).to(tl.float32, bitcast=True)


@triton.jit
def to_halves(
    x, low, high, hi, lo, planes, columns, edge, nz, padded, limit,
    SPLIT: tl.constexpr, ROUND: tl.constexpr, ROWS: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """(planes, columns, nz) float32 -> (planes, edge + columns + edge, padded) float16, zeros around.

    SPLIT: what rounding loses goes to `lo`. ROUND: zeros outside the vial too.
    """
    wide = columns + 2 * edge
    at = (tl.program_id(0) * ROWS + tl.arange(0, ROWS))[:, None]
    z = (tl.program_id(2) * BLOCK + tl.arange(0, BLOCK))[None, :]
    plane = tl.program_id(1).to(tl.int64)
    scale, _ = _scale(low, high)
    held = (at >= edge) & (at < edge + columns) & (z < nz)
    if ROUND:
        x2, y2 = 2 * tl.program_id(1) - planes + 1, 2 * at - columns + 1
        held &= x2 * x2 + y2 * y2 <= limit
    value = tl.load(x + (plane * columns + at - edge) * nz + z, mask=held, other=0.0) * scale
    half = value.to(tl.float16)
    kept = (at < wide) & (z < padded)
    out = (plane * wide + at) * padded + z
    tl.store(hi + out, half, mask=kept)
    if SPLIT:
        tl.store(lo + out, (value - half.to(tl.float32)).to(tl.float16), mask=kept)


@triton.jit
def _product(w, hi, lo, acc, SPLIT: tl.constexpr):
    """acc + w @ (hi + lo)"""
    w_hi = w.to(tl.float16)
    if SPLIT:
        w_lo = (w - w_hi.to(tl.float32)).to(tl.float16)
        part = tl.dot(w_lo, hi)
        part = tl.dot(w_hi, lo, part)
        part = tl.dot(w_hi, hi, part)
        acc += part  # rounded here to nearest; the matrix units' own sums cut off
    else:
        acc = tl.dot(w_hi, hi, acc)
    return acc


@triton.jit
def _depth(place, rest, radius, radius_rest):
    """sqrt(radius^2 - s^2) for s = place + rest, exact near the rim too; all in bins."""
    inner = ((radius - place) + (radius_rest - rest)) * ((radius + place) + (radius_rest + rest))
    return tl.sqrt(tl.maximum(inner, 0.0))


@triton.jit
def _in_band(t, band):
    """The weight of light at t, in bins, where views are one of several bands of depth; see dose/focus.py."""
    away = tl.abs(t - tl.load(band))
    rising = tl.load(band + 1) + tl.load(band + 2) * away
    return tl.minimum(tl.maximum(tl.minimum(rising, tl.load(band + 3) - tl.load(band + 4) * away), 0.0), 1.0)


@triton.jit
def deposit_kernel(
    hi, lo, low, high, table, member, dose, band,
    nx, ny, nz, padded, bins, directions, middle, middle_rest, radius, radius_rest, decay, limit, gain,
    BAND: tl.constexpr, SPLIT: tl.constexpr, TILE: tl.constexpr, BINS: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """One tile of TILE x TILE voxel columns, BLOCK slices, all directions one after another. BINS hold what it reads.

    `hi` has BINS dark bins at each end of a view and whole blocks of slices, so that no load needs a bound.
    """
    tiles = tl.cdiv(ny, TILE)
    i0, j0 = tl.program_id(0) // tiles * TILE, tl.program_id(0) % tiles * TILE
    i, j = i0 + tl.arange(0, TILE), j0 + tl.arange(0, TILE)
    z = tl.program_id(1) * BLOCK + tl.arange(0, BLOCK)
    x2, y2 = 2 * i - nx + 1, 2 * j - ny + 1
    within = (i < nx)[:, None] & (j < ny)[None, :]
    inside = within & ((x2 * x2)[:, None] + (y2 * y2)[None, :] <= limit)
    x, y = (x2 * 0.5)[:, None], (y2 * 0.5)[None, :]
    half = (TILE - 1) * 0.5
    x_mid, y_mid = i0 + half - (nx - 1) * 0.5, j0 + half - (ny - 1) * 0.5
    b, both = tl.arange(0, BINS), tl.arange(0, 2)
    sense = (1.0 - 2.0 * both)[:, None, None]
    wide = bins + 2 * BINS
    upward = b[:, None] * padded + z[None, :]
    downward = (BINS - 1 - b)[:, None] * padded + z[None, :]
    acc = tl.zeros((TILE * TILE, BLOCK), tl.float32)
    for a in range(directions * tl.max(tl.max(inside.to(tl.int32), 1), 0)):
        c, s = tl.load(table + 4 * a), tl.load(table + 4 * a + 1)
        c_rest, s_rest = tl.load(table + 4 * a + 2), tl.load(table + 4 * a + 3)
        view, opposite = tl.load(member + 2 * a), tl.load(member + 2 * a + 1)
        lowest = x_mid * (c + c_rest) + y_mid * (s + s_rest) - half * (tl.abs(c) + tl.abs(s)) + middle
        first = tl.minimum(tl.maximum(tl.floor(lowest - 0.01).to(tl.int32), -BINS), bins)
        there = (tl.maximum(view, 0) * wide + BINS + first).to(tl.int64) * padded + upward
        across = (tl.maximum(opposite, 0) * wide + bins - first).to(tl.int64) * padded + downward
        g = tl.load(hi + there)
        g_lo = tl.load(lo + there) if SPLIT else g
        h = tl.load(hi + across)
        h_lo = tl.load(lo + across) if SPLIT else h
        place = x * c + y * s
        rest = x * c_rest + y * s_rest
        depth = _depth(place, rest, radius, radius_rest)
        t = y * (c + c_rest) - x * (s + s_rest)
        light = tl.exp2(decay * tl.maximum(depth[None, :, :] + sense * t[None, :, :], 0.0))
        if BAND:
            light *= _in_band(sense * t[None, :, :], band)
        light = tl.where(tl.load(member + 2 * a + both)[:, None, None] >= 0, light, 0.0)
        # a sum, so that the compiler takes each root and power once and not once for each bin
        near_light = tl.sum(tl.where(sense > 0.0, light, 0.0), 0)
        far_light = tl.sum(tl.where(sense < 0.0, light, 0.0), 0)
        near = (place[None, :, :] - (first + b - middle)[:, None, None]) + (rest + middle_rest)[None, :, :]
        near = tl.maximum(1.0 - tl.abs(near), 0.0)
        w = tl.trans(tl.reshape(near * near_light[None, :, :], (BINS, TILE * TILE)))
        acc = _product(w, g, g_lo, acc, SPLIT)
        w = tl.trans(tl.reshape(near * far_light[None, :, :], (BINS, TILE * TILE)))
        acc = _product(w, h, h_lo, acc, SPLIT)
    _, back = _scale(low, high)
    p = tl.arange(0, TILE * TILE)
    i, j = i0 + p // TILE, j0 + p % TILE
    x2, y2 = 2 * i - nx + 1, 2 * j - ny + 1
    acc = tl.where((x2 * x2 + y2 * y2 <= limit)[:, None], acc * back * gain, 0.0)
    out = (i.to(tl.int64) * ny + j)[:, None] * nz + z[None, :]
    tl.store(dose + out, acc, mask=((i < nx) & (j < ny))[:, None] & (z < nz)[None, :])


@triton.jit
def _first(cu, cv, strip, u, v, middle):
    """First bin of a strip: whole strips from the bin below the block's centre, so that neighbours stay together."""
    return tl.floor(u * cu + v * cv + middle) + strip


@triton.jit
def _end(table, q, strip, u, v, middle, SIDE: tl.constexpr):
    """Where a strip of direction q ends, SIDE -1 or 1, as a line u = at + slope * v."""
    first = _first(tl.load(table + 6 * q), tl.load(table + 6 * q + 1), strip, u, v, middle)
    stretch = tl.load(table + 6 * q + 5)
    at = (first - middle + 3.5) * stretch + SIDE * (4.5 * tl.abs(stretch) + 0.02)
    return at, tl.load(table + 6 * q + 4)


@triton.jit
def _hull(table, strip, u, v, middle, span, DIRECTIONS: tl.constexpr, SIDE: tl.constexpr):
    """Two lines, those of the outermost directions, moved out until the furthest of all ends lies within them.

    The furthest is the most beyond where the two lines cross, as all other slopes lie between theirs.
    """
    at_1, slope_1 = _end(table, 0, strip, u, v, middle, SIDE)
    at_2, slope_2 = _end(table, DIRECTIONS - 1, strip, u, v, middle, SIDE)
    turn = slope_1 - slope_2
    cross = (at_2 - at_1) / tl.where(turn == 0.0, 1.0, turn)
    cross = tl.minimum(tl.maximum(cross, v - span), v + span)
    reached = SIDE * tl.maximum(SIDE * (at_1 + slope_1 * cross), SIDE * (at_2 + slope_2 * cross))
    beyond = 0.0
    for q in tl.static_range(DIRECTIONS):
        at, slope = _end(table, q, strip, u, v, middle, SIDE)
        beyond = tl.maximum(beyond, SIDE * (at + slope * cross - reached))
    return at_1 + SIDE * beyond, slope_1, at_2 + SIDE * beyond, slope_2


@triton.jit
def collect_kernel(
    hi, lo, low, high, table, member, main, out, band,
    nx, ny, nz, padded, bins, strips, x0, x1, y0, y1, middle, middle_rest,
    radius, radius_rest, decay, limit, gain,
    BAND: tl.constexpr, SPLIT: tl.constexpr, DIRECTIONS: tl.constexpr, RUN: tl.constexpr, INNER: tl.constexpr,
    LINES: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """Adds what voxels x0..x1, y0..y1 give to a strip of 8 bins of DIRECTIONS neighbouring directions, both views.

    The strip crosses the block as a band. Line by line along v it reads runs of RUN voxels along u. `hi` holds
    zeros outside the vial and whole blocks of slices.
    """
    group, number = tl.program_id(0) // strips, tl.program_id(0) % strips
    z = tl.program_id(1) * BLOCK + tl.arange(0, BLOCK)
    table += group * DIRECTIONS * 6
    swapped = tl.load(main + group) != 0
    nu, nv = tl.where(swapped, ny, nx), tl.where(swapped, nx, ny)
    u0, u1 = tl.where(swapped, y0, x0), tl.where(swapped, y1, x1)
    v0, v1 = tl.where(swapped, x0, y0), tl.where(swapped, x1, y1)
    step_u, step_v = tl.where(swapped, 1, ny) * padded, tl.where(swapped, ny, 1) * padded
    u_mid, v_mid = (nu - 1) * 0.5, (nv - 1) * 0.5
    uc, vc, strip = (u0 + u1 - 1) * 0.5 - u_mid, (v0 + v1 - 1) * 0.5 - v_mid, 8 * number - 4 * strips
    span = (v1 - v0) * 0.5

    # the rows of the product: direction, its view or the opposite one, bin
    q = tl.arange(0, DIRECTIONS)
    cu, cv = tl.load(table + 6 * q), tl.load(table + 6 * q + 1)
    cu_rest, cv_rest = tl.load(table + 6 * q + 2), tl.load(table + 6 * q + 3)
    b0 = _first(cu, cv, strip, uc, vc, middle)
    sense = tl.where(swapped, -1.0, 1.0)
    side = sense * (1 - 2 * tl.arange(0, 2))

    # which lines the band crosses inside block and vial, and how many runs that takes
    la, lb, lc, ld = _hull(table, strip, uc, vc, middle, span, DIRECTIONS, -1)
    ha, hb, hc, hd = _hull(table, strip, uc, vc, middle, span, DIRECTIONS, 1)
    line = tl.arange(0, LINES)
    y = v0 + line - v_mid
    chord = tl.sqrt(tl.maximum(limit - 4 * y * y, 0.0)) * 0.5 + 0.01
    from_u = tl.maximum(tl.minimum(la + lb * y, lc + ld * y), tl.maximum(u0 - u_mid, -chord))
    to_u = tl.minimum(tl.maximum(ha + hb * y, hc + hd * y), tl.minimum(u1 - 1 - u_mid, chord))
    crossed = (v0 + line < v1) & (tl.ceil(from_u + u_mid) <= tl.floor(to_u + u_mid)) & (4 * y * y <= limit)
    PACK: tl.constexpr = INNER // RUN
    begin = tl.min(tl.where(crossed, line, LINES), 0) // PACK
    end = tl.max(tl.where(crossed, line, -1), 0) // PACK
    pack = tl.arange(0, LINES // PACK)
    needed = _runs(v0 + pack * PACK - v_mid, la, lb, lc, ld, ha, hb, hc, hd, RUN, PACK)
    needed = tl.where((pack >= begin) & (pack <= end), needed, 0)
    seen = (tl.max(b0, 0) > -8) & (tl.min(b0, 0) < bins)
    total = tl.where(seen, tl.sum(needed, 0), 0)

    p = tl.arange(0, INNER)
    origin = (x0.to(tl.int64) * ny + y0) * padded
    acc = tl.zeros((16 * DIRECTIONS, BLOCK), tl.float32)
    run = begin * 0
    for _ in range(total):
        vi = begin * PACK + p // RUN
        v = vi + (v0 - v_mid)
        start = tl.minimum(la + lb * v, lc + ld * v) + (u_mid - u0)
        ui = tl.maximum(tl.ceil(start).to(tl.int32), 0) + run * RUN + p % RUN
        u = ui + (u0 - u_mid)
        stop = tl.minimum(tl.maximum(ha + hb * v, hc + hd * v), u1 - 1 - u_mid)
        read = (vi < v1 - v0) & (u <= stop)
        where = (ui * step_u + vi * step_v)[:, None] + z[None, :]
        g = tl.load(hi + origin + where, mask=read[:, None], other=0.0)
        g_lo = tl.load(lo + origin + where, mask=read[:, None], other=0.0) if SPLIT else g
        place = u[None, :] * cu[:, None] + v[None, :] * cv[:, None]
        rest = u[None, :] * cu_rest[:, None] + v[None, :] * cv_rest[:, None]
        t = v[None, :] * (cu + cu_rest)[:, None] - u[None, :] * (cv + cv_rest)[:, None]
        depth = _depth(place, rest, radius, radius_rest)
        light = tl.exp2(decay * tl.maximum(depth[:, None, :] + side[None, :, None] * t[:, None, :], 0.0))
        if BAND:
            light *= _in_band(side[None, :, None] * t[:, None, :], band)
        near = (place - (b0 - middle)[:, None]) + (rest + middle_rest)
        k = tl.arange(0, 8)
        near = tl.maximum(1.0 - tl.abs(near[:, None, :] - k[None, :, None]), 0.0)
        w = near[:, None, :, :] * light[:, :, None, :]
        acc = _product(tl.reshape(w, (16 * DIRECTIONS, INNER)), g, g_lo, acc, SPLIT)
        run += 1
        over = run >= _runs(v0 + begin * PACK - v_mid, la, lb, lc, ld, ha, hb, hc, hd, RUN, PACK)
        begin = tl.where(over, begin + 1, begin)
        run = tl.where(over, 0, run)

    _, back = _scale(low, high)
    r = tl.arange(0, 16 * DIRECTIONS)
    opposite = (r // 8) % 2
    view = tl.load(member + (group * DIRECTIONS + r // 16) * 2 + opposite)
    row_cu, row_cv = tl.load(table + 6 * (r // 16)), tl.load(table + 6 * (r // 16) + 1)
    at = _first(row_cu, row_cv, strip, uc, vc, middle).to(tl.int32) + r % 8
    wanted = (view >= 0) & (at >= 0) & (at < bins)
    at = tl.where(opposite == 1, bins - 1 - at, at)
    where = (view * bins + at).to(tl.int64)[:, None] * nz + z[None, :]
    mask = wanted[:, None] & (z < tl.where(total > 0, nz, 0))[None, :]
    tl.store(out + where, tl.load(out + where, mask=mask, other=0.0) + acc * back * gain, mask=mask)


@triton.jit
def _runs(v, la, lb, lc, ld, ha, hb, hc, hd, RUN: tl.constexpr, PACK: tl.constexpr):
    """Runs that the widest of PACK lines from v on needs; the width is convex along v, so an end line has it."""
    far = v + (PACK - 1)
    here = tl.maximum(ha + hb * v, hc + hd * v) - tl.minimum(la + lb * v, lc + ld * v)
    there = tl.maximum(ha + hb * far, hc + hd * far) - tl.minimum(la + lb * far, lc + ld * far)
    return tl.ceil((tl.maximum(here, there) + 1.0) / RUN).to(tl.int32)
