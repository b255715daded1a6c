"""The kernels of triton_spread.py: each number of the result is added up by one thread, in a fixed order.

A voxel of slice z reads plane C + (z - pupil) growth / M: C is the plane at the pupil's height, growth the planes
between two slices at M = 1. Of growth / M = n + rest the whole part n is exact in whole numbers, so that float32 need
hold the small rest alone. `heights` holds, after each other: C, the pupil's slice, growth, the largest M. What belongs
to a voxel column is computed by every thread that has slices of it: a program takes few columns and many slices.
"""

import triton
import triton.language as tl

SIZES = ["nx", "ny", "slices", "planes", "batch", "bins", "views", "strips", "limit"]  # compiled once for all


@triton.jit
def _column(x, y, cos, sin, bins, sizes, heights, beyond_foot, per_mm, real: tl.constexpr):
    """Of voxel columns at x, y (mm, float64): their place among the bins, with one dark bin before the first, float64;
    whether it is among them; the light left there; growth / M - n and M / growth."""
    s, t = x * cos + y * sin, y * cos - x * sin
    place = s / tl.load(sizes + 1) + tl.load(sizes + 2) + 1.0
    lit = (place > 0.0) & (place < bins + 1)
    place = tl.minimum(tl.maximum(place, 0.0), bins + 1.0)  # a select by `lit` fails to compile in Triton 3.6
    low = tl.minimum(tl.floor(place), bins + 0.0)
    k, share = low.to(tl.int32), (place - low).to(real)
    radius, mu = tl.load(sizes + 3).to(real), tl.load(sizes + 4).to(real)
    away = tl.abs(t - tl.load(sizes + 6)).to(real)  # from the plane of focus: see dose/focus.py
    s, t = s.to(real), t.to(real)
    rising = tl.load(sizes + 7).to(real) + tl.load(sizes + 8).to(real) * away
    falling = tl.load(sizes + 9).to(real) - tl.load(sizes + 10).to(real) * away
    depth = tl.sqrt(tl.maximum(radius * radius - s * s, 0.0)) + t
    left = tl.exp(-mu * tl.maximum(depth, 0.0)) * tl.minimum(tl.maximum(tl.minimum(rising, falling), 0.0), 1.0)
    foot = tl.load(beyond_foot + k) * (1.0 - share) + tl.load(beyond_foot + k + 1) * share
    each = tl.load(per_mm + k) * (1.0 - share) + tl.load(per_mm + k + 1) * share
    more = foot + each * t  # M - 1: linear between the bins, whose tables have one more at each end
    growth = tl.load(heights + 2)
    whole = tl.floor(growth + 0.5)
    rest = ((growth - whole).to(real) - whole.to(real) * more) / (1.0 + more)
    return place, lit, left / (1.0 + more), rest, (1.0 + more) / growth.to(real)


@triton.jit
def _scale(heights, real: tl.constexpr):
    """n, C - n pupil as a whole number and what is over, the pupil's slice."""
    pupil = tl.load(heights + 1)
    whole = tl.floor(tl.load(heights + 2) + 0.5)
    at_zero = tl.load(heights) - whole * pupil
    return whole.to(tl.int32), tl.floor(at_zero).to(tl.int32), (at_zero - tl.floor(at_zero)).to(real), pupil


@triton.jit(do_not_specialize=SIZES)
def deposit_kernel(
    light, angles, sizes, heights, beyond_foot, per_mm, dose, nx, ny, slices, planes, batch, bins, views, limit,
    STRIP: tl.constexpr, DEEP: tl.constexpr,
):  # fmt: skip
    """STRIP voxel columns, two rows of them, DEEP slices of one member of a batch, one view after the other. Around
    `light` lie dark bins, one before and two after, and two dark planes on each side: no read can miss it."""
    real: tl.constexpr = dose.dtype.element_ty
    across, number = (ny + STRIP // 2 - 1) // (STRIP // 2), tl.arange(0, STRIP)
    i = tl.program_id(0) // across * 2 + number // (STRIP // 2)
    j = tl.program_id(0) % across * (STRIP // 2) + number % (STRIP // 2)
    blocks = (slices + DEEP - 1) // DEEP
    member = tl.program_id(1) // blocks
    z = tl.program_id(1) % blocks * DEEP + tl.arange(0, DEEP)
    x2, y2 = 2 * i - nx + 1, 2 * j - ny + 1
    wet = (i < nx) & (j < ny) & (x2 * x2 + y2 * y2 <= limit)
    half = 0.5 * tl.load(sizes)
    x, y = x2.to(tl.float64) * half, y2.to(tl.float64) * half
    whole, first, over, pupil = _scale(heights, real)
    away, level = (z.to(tl.float64) - pupil).to(real), z * whole + first + 2
    stretch = planes + 4
    total = tl.zeros((STRIP, DEEP), real)
    for view in range(views):
        cos, sin = tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1)
        place, lit, left, rest, _ = _column(x, y, cos, sin, bins, sizes, heights, beyond_foot, per_mm, real)
        left *= (lit & wet).to(real)
        low = tl.floor(place)
        share = (place - low).to(real)
        q = over + away[None, :] * rest[:, None]
        if real == tl.float32:  # the sum rounds to a whole number, which stands in its last bits: no slow conversion
            shifted = (q - 0.5) + 12582912.0
            k, upper = shifted.to(tl.int32, bitcast=True) - 0x4B400000, q - (shifted - 12582912.0)
        else:
            k, upper = tl.floor(q).to(tl.int32), q - tl.floor(q)
        k = tl.minimum(tl.maximum(k + level[None, :], 0), planes + 2)
        bin_at = ((view * (bins + 3) + low.to(tl.int64)) * batch + member) * stretch
        at = light + bin_at[:, None] + k
        near, near_up = tl.load(at), tl.load(at + 1)
        far, far_up = tl.load(at + batch * stretch), tl.load(at + batch * stretch + 1)
        near += upper * (near_up - near)
        far += upper * (far_up - far)
        total += (left * (1.0 - share))[:, None] * near + (left * share)[:, None] * far
    total *= tl.load(sizes + 5).to(real)
    at = ((i.to(tl.int64) * ny + j) * batch + member)[:, None] * slices + z[None, :]
    tl.store(dose + at, total, mask=((i < nx) & (j < ny))[:, None] & (z < slices)[None, :])


@triton.jit(do_not_specialize=SIZES)
def collect_kernel(
    volume, angles, sizes, heights, beyond_foot, per_mm, out, nx, ny, slices, planes, batch, bins, strips, limit,
    STRIP: tl.constexpr, DEEP: tl.constexpr,
):  # fmt: skip
    """STRIP bins of one view, DEEP planes: line by line of voxels, each bin those near enough to take from it, and of
    each of them each plane the slices that read it."""
    real: tl.constexpr = out.dtype.element_ty
    view, strip = tl.program_id(0) // strips, tl.program_id(0) % strips
    b = strip * STRIP + tl.arange(0, STRIP)
    blocks = (planes + DEEP - 1) // DEEP
    member = tl.program_id(1) // blocks
    plane = tl.program_id(1) % blocks * DEEP + tl.arange(0, DEEP)
    cos, sin = tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1)
    voxel, bin_mm, middle = tl.load(sizes), tl.load(sizes + 1), tl.load(sizes + 2)
    along_y = tl.abs(sin) > tl.abs(cos)  # of u, which runs across the light
    along, across = tl.where(along_y, sin, cos), tl.where(along_y, cos, sin)
    nu, nv = tl.where(along_y, ny, nx), tl.where(along_y, nx, ny)
    step_u, step_v = tl.where(along_y, 1, ny), tl.where(along_y, ny, 1)
    s = (b.to(tl.float64) - middle) * bin_mm
    near = bin_mm / tl.abs(along)  # mm along u
    reads = (2.0 * near / voxel + 0.002).to(tl.int32) + 1
    # the lines that cross the vial where these bins do
    least, most = (strip * STRIP - 1 - middle) * bin_mm, ((strip + 1) * STRIP - middle) * bin_mm
    middle_of = tl.maximum(tl.maximum(least, -most), 0.0)
    wet = 0.5 * voxel * tl.sqrt(limit.to(tl.float64))
    reach = tl.sqrt(tl.maximum(wet * wet - middle_of * middle_of, 0.0)) * tl.abs(along)
    lowest = tl.minimum(least * across, most * across) - reach
    highest = tl.maximum(least * across, most * across) + reach
    from_line = tl.maximum(tl.floor(lowest / voxel + (nv - 1) * 0.5).to(tl.int32) - 1, 0)
    to_line = tl.minimum(tl.floor(highest / voxel + (nv - 1) * 0.5).to(tl.int32) + 3, nv)
    whole, first, over, pupil = _scale(heights, real)
    at_zero, middle_z = tl.load(heights), pupil.to(real)
    deep = (2.0 * tl.load(heights + 3) / tl.load(heights + 2) + 0.01).to(tl.int32) + 1  # slices that read one plane
    from_zero = (plane.to(tl.float64) - at_zero).to(real)
    level = (first - plane).to(real)
    total = tl.zeros((STRIP, DEEP), real)
    for line in range(from_line, to_line):
        v2 = 2 * line - nv + 1
        v = v2.to(tl.float64) * 0.5 * voxel
        start = tl.ceil(((s - v * across) / along - near) / voxel + (nu - 1) * 0.5 - 0.001).to(tl.int32)
        for read in range(reads):
            ui = start + read
            u2 = 2 * ui - nu + 1
            u = u2.to(tl.float64) * 0.5 * voxel
            x, y = tl.where(along_y, v, u), tl.where(along_y, u, v)
            place, lit, left, rest, apart = _column(x, y, cos, sin, bins, sizes, heights, beyond_foot, per_mm, real)
            lit &= (ui >= 0) & (ui < nu) & (u2 * u2 + v2 * v2 <= limit)
            weight = left * tl.maximum(1.0 - tl.abs(place - (b + 1)), 0.0).to(real) * lit.to(real)
            z = tl.ceil(middle_z + (from_zero[None, :] - 1.0) * apart[:, None] - 0.002)
            at = (((ui.to(tl.int64) * step_u + line * step_v) * batch + member) * slices)[:, None]
            at = volume + at + z.to(tl.int32)
            sums = tl.zeros((STRIP, DEEP), real)
            for k in range(deep):
                q = over + (z - middle_z) * rest[:, None]
                share = tl.maximum(1.0 - tl.abs(z * whole.to(real) + level[None, :] + q), 0.0)
                there = lit[:, None] & (z >= 0.0) & (z < slices)
                sums += share * tl.load(at + k, mask=there, other=0.0)
                z += 1.0
            total += weight[:, None] * sums
    at = ((view * bins + b.to(tl.int64)) * batch + member)[:, None] * planes + plane[None, :]
    there = (b < bins)[:, None] & (plane < planes)[None, :]
    tl.store(out + at, total * tl.load(sizes + 5).to(real), mask=there)
