"""The kernels of triton_spread.py: each number of the result is added up by one thread, in a fixed order.

Places are computed in float64, light in the dtype of the arrays. `heights` holds, after each other: the plane at the
pupil's height, the slice there, planes between two slices at M = 1, and the largest M.
"""

import triton
import triton.language as tl

from lightlathe.dose.kernels.triton_double_kernels import _place_and_light

SIZES = ["nx", "ny", "slices", "planes", "batch", "bins", "views", "strips", "limit"]  # compiled once for all


@triton.jit
def _shrinks(x, y, cos, sin, place, bins, at_foot, per_mm):
    """1 / M at x, y: linear between the bins, whose tables have one more at each end."""
    low = tl.minimum(tl.maximum(tl.floor(place), 0.0), bins + 0.0)
    k, share = low.to(tl.int32), place - low
    foot = tl.load(at_foot + k) * (1.0 - share) + tl.load(at_foot + k + 1) * share
    each = tl.load(per_mm + k) * (1.0 - share) + tl.load(per_mm + k + 1) * share
    return 1.0 / (foot + each * (y * cos - x * sin))


@triton.jit(do_not_specialize=SIZES)
def deposit_kernel(
    light, angles, sizes, heights, at_foot, per_mm, dose, nx, ny, slices, planes, batch, bins, views, limit,
    STRIP: tl.constexpr, DEEP: tl.constexpr,
):  # fmt: skip
    """STRIP voxel columns, DEEP slices of one member of a batch, one view after the other."""
    column = tl.program_id(0) * STRIP + tl.arange(0, STRIP)
    i, j = column // ny, column % ny
    blocks = (slices + DEEP - 1) // DEEP
    member = tl.program_id(1) // blocks
    z = tl.program_id(1) % blocks * DEEP + tl.arange(0, DEEP)
    x2, y2 = 2 * i - nx + 1, 2 * j - ny + 1
    wet = (i < nx) & (x2 * x2 + y2 * y2 <= limit)
    half = 0.5 * tl.load(sizes)
    x, y = x2.to(tl.float64) * half, y2.to(tl.float64) * half
    away = (z.to(tl.float64) - tl.load(heights + 1)) * tl.load(heights + 2)
    total = tl.zeros((STRIP, DEEP), dose.dtype.element_ty)
    for view in range(views):
        cos, sin = tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1)
        place, left = _place_and_light(x, y, cos, sin, sizes)
        lit = wet & (place > 0.0) & (place < bins + 1)
        place = tl.minimum(tl.maximum(place, 0.0), bins + 1.0)  # a select by `lit` fails to compile in Triton 3.6
        shrinks = _shrinks(x, y, cos, sin, place, bins, at_foot, per_mm)
        low = tl.floor(place)
        first = low.to(tl.int32) - 1  # -1: the dark bin
        plane = tl.load(heights) + away[None, :] * shrinks[:, None]
        below = tl.floor(plane)
        k, upper = below.to(tl.int32), (plane - below).to(dose.dtype.element_ty)
        there = lit[:, None] & (z < slices)[None, :]
        at = ((view * bins + first.to(tl.int64)) * batch + member)[:, None] * planes + k
        next_bin = batch.to(tl.int64) * planes
        here, beside = there & (first >= 0)[:, None], there & (first + 1 < bins)[:, None]
        down, up = (k >= 0) & (k < planes), (k >= -1) & (k < planes - 1)
        near = tl.load(light + at, mask=here & down, other=0.0) * (1 - upper)
        near += tl.load(light + at + 1, mask=here & up, other=0.0) * upper
        far = tl.load(light + at + next_bin, mask=beside & down, other=0.0) * (1 - upper)
        far += tl.load(light + at + next_bin + 1, mask=beside & up, other=0.0) * upper
        share, left = place - low, left * shrinks
        total += (left * (1.0 - share)).to(total.dtype)[:, None] * near + (left * share).to(total.dtype)[:, None] * far
    total = tl.where(wet[:, None], total, 0.0) * tl.load(sizes + 5).to(total.dtype)
    at = (column.to(tl.int64) * batch + member)[:, None] * slices + z[None, :]
    tl.store(dose + at, total, mask=(i < nx)[:, None] & (z < slices)[None, :])


@triton.jit(do_not_specialize=SIZES)
def collect_kernel(
    volume, angles, sizes, heights, at_foot, per_mm, out, nx, ny, slices, planes, batch, bins, strips, limit,
    STRIP: tl.constexpr, DEEP: tl.constexpr,
):  # fmt: skip
    """STRIP bins of one view, DEEP planes: line by line of voxels, each bin those near enough to take from it, and of
    each of them each plane the slices that read it."""
    view, strip = tl.program_id(0) // strips, tl.program_id(0) % strips
    b = strip * STRIP + tl.arange(0, STRIP)
    blocks = (planes + DEEP - 1) // DEEP
    member = tl.program_id(1) // blocks
    plane = tl.program_id(1) % blocks * DEEP + tl.arange(0, DEEP)
    cos, sin = tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1)
    voxel, bin_mm = tl.load(sizes), tl.load(sizes + 1)
    along_y = tl.abs(sin) > tl.abs(cos)  # of u, which runs across the light
    along, across = tl.where(along_y, sin, cos), tl.where(along_y, cos, sin)
    nu, nv = tl.where(along_y, ny, nx), tl.where(along_y, nx, ny)
    step_u, step_v = tl.where(along_y, 1, ny), tl.where(along_y, ny, 1)
    s = (b.to(tl.float64) - tl.load(sizes + 2)) * bin_mm
    near = bin_mm / tl.abs(along)  # mm along u
    reads = (2.0 * near / voxel).to(tl.int32) + 2
    at_zero, pupil, growth = tl.load(heights), tl.load(heights + 1), tl.load(heights + 2)
    deep = (2.0 * tl.load(heights + 3) / growth).to(tl.int32) + 2  # slices that read one plane, at most
    from_zero = plane.to(tl.float64) - at_zero
    total = tl.zeros((STRIP, DEEP), out.dtype.element_ty)
    for line in range(nv):
        v2 = 2 * line - nv + 1
        v = v2.to(tl.float64) * 0.5 * voxel
        first = tl.ceil(((s - v * across) / along - near) / voxel + (nu - 1) * 0.5 - 0.001).to(tl.int32)
        for read in range(reads * (v2 * v2 <= limit).to(tl.int32)):
            ui = first + read
            u2 = 2 * ui - nu + 1
            u = u2.to(tl.float64) * 0.5 * voxel
            x, y = tl.where(along_y, v, u), tl.where(along_y, u, v)
            place, left = _place_and_light(x, y, cos, sin, sizes)
            lit = (ui >= 0) & (ui < nu) & (u2 * u2 + v2 * v2 <= limit) & (place > 0.0) & (place < bins + 1)
            place = tl.minimum(tl.maximum(place, 0.0), bins + 1.0)
            shrinks = _shrinks(x, y, cos, sin, place, bins, at_foot, per_mm)
            weight = left * shrinks * tl.maximum(1.0 - tl.abs(place - (b + 1)), 0.0) * lit.to(tl.float64)
            weight = weight.to(total.dtype)[:, None]
            apart = (growth * shrinks)[:, None]  # planes between two slices
            lowest = tl.ceil(pupil + (from_zero[None, :] - 1.0) / apart - 0.001).to(tl.int32)
            at = (((ui.to(tl.int64) * step_u + line * step_v) * batch + member) * slices)[:, None]
            for k in range(deep):
                zi = lowest + k
                reads_at = (zi.to(tl.float64) - pupil) * apart
                share = tl.maximum(1.0 - tl.abs(reads_at - from_zero[None, :]), 0.0).to(total.dtype)
                there = lit[:, None] & (zi >= 0) & (zi < slices)
                total += weight * share * tl.load(volume + at + zi, mask=there, other=0.0)
    at = ((view * bins + b.to(tl.int64)) * batch + member)[:, None] * planes + plane[None, :]
    there = (b < bins)[:, None] & (plane < planes)[None, :]
    tl.store(out + at, total * tl.load(sizes + 5).to(total.dtype), mask=there)
