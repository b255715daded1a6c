"""The kernels of triton_ends.py: each number of the result is added up by one thread, in a fixed order.

Places are in float64, so that every voxel lies before or behind an end as in the reference; light is in its own dtype.
`ends` is (view, bin, class), with a class more for slices without insert; ONE: all slices of the call have one class.
"""

import triton
import triton.language as tl

SIZES = ["nx", "ny", "nz", "z0", "count", "bins", "views", "strips", "limit", "first_end", "band", "classes"]


@triton.jit
def _seen(x, y, cos, sin, sizes):
    """s in bins from a dark bin before the first, t and depth, mm, of a voxel at x, y (mm)."""
    s, t = x * cos + y * sin, y * cos - x * sin
    radius = tl.load(sizes + 3)
    depth = tl.maximum(tl.sqrt(tl.maximum(radius * radius - s * s, 0.0)) + t, 0.0)
    return s / tl.load(sizes + 1) + tl.load(sizes + 2) + 1.0, t, depth


@triton.jit
def _before(t, b, view, which, ends, first_end, band, classes, ONE: tl.constexpr):
    """(voxel, slice) 1 where a voxel at t lies before the end of bin b, else 0."""
    e = b - first_end
    known = (e >= 0) & (e < band)
    at = (view * band + tl.where(known, e, 0).to(tl.int64)) * classes
    if ONE:
        end = tl.load(ends + at + which, mask=known, other=float("inf")).to(tl.float64)
        lit = (t < end)[:, None]
    else:
        end = tl.load(ends + at[:, None] + which[None, :], mask=known[:, None], other=float("inf")).to(tl.float64)
        lit = t[:, None] < end
    return lit


@triton.jit(do_not_specialize=SIZES)
def deposit_kernel(
    light, angles, sizes, ends, which, dose, nx, ny, nz, z0, count, bins, views, limit, first_end, band, classes,
    STRIP: tl.constexpr, DEEP: tl.constexpr, ONE: tl.constexpr,
):  # fmt: skip
    """STRIP voxel columns, DEEP slices of the `count` from z0 on, one view after the other."""
    dtype = light.dtype.element_ty
    column = tl.program_id(0) * STRIP + tl.arange(0, STRIP)
    i, j = column // ny, column % ny
    k = tl.program_id(1) * DEEP + tl.arange(0, DEEP)
    z, there = z0 + k, k < count
    kind = tl.load(which + z0) if ONE else tl.load(which + z, mask=there, other=classes - 1)
    x2, y2 = 2 * i - nx + 1, 2 * j - ny + 1
    wet = (i < nx) & (x2 * x2 + y2 * y2 <= limit)
    half = 0.5 * tl.load(sizes)
    x, y = x2.to(tl.float64) * half, y2.to(tl.float64) * half
    total = tl.zeros((STRIP, DEEP), dtype)
    for view in range(views):
        place, t, depth = _seen(x, y, tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1), sizes)
        lit = wet & (place > 0.0) & (place < bins + 1)
        low = tl.where(lit, tl.floor(place), 0.0)
        share = (place - low).to(dtype)
        left = tl.exp((-tl.load(sizes + 4) * depth).to(dtype))
        b = low.to(tl.int32) - 1  # -1: the dark bin
        at = (view * bins + b.to(tl.int64))[:, None] * nz + z[None, :]
        here = lit[:, None] & there[None, :]
        read = here & (b >= 0)[:, None] & _before(t, b, view, kind, ends, first_end, band, classes, ONE)
        near = tl.load(light + at, mask=read, other=0.0)
        read = here & (b + 1 < bins)[:, None] & _before(t, b + 1, view, kind, ends, first_end, band, classes, ONE)
        far = tl.load(light + at + nz, mask=read, other=0.0)
        total += (left * (1.0 - share))[:, None] * near + (left * share)[:, None] * far
    total = tl.where(wet[:, None], total, 0.0) * tl.load(sizes + 5).to(dtype)
    tl.store(dose + column.to(tl.int64)[:, None] * nz + z[None, :], total, mask=(i < nx)[:, None] & there[None, :])


@triton.jit(do_not_specialize=SIZES)
def collect_kernel(
    volume, angles, sizes, ends, which, out, nx, ny, nz, z0, count, bins, strips, limit, first_end, band, classes,
    STRIP: tl.constexpr, DEEP: tl.constexpr, ONE: tl.constexpr,
):  # fmt: skip
    """STRIP bins of one view, DEEP slices: line by line of voxels, each bin those near enough to take from it."""
    dtype = volume.dtype.element_ty
    view, strip = tl.program_id(0) // strips, tl.program_id(0) % strips
    b = strip * STRIP + tl.arange(0, STRIP)
    k = tl.program_id(1) * DEEP + tl.arange(0, DEEP)
    z, there = z0 + k, k < count
    kind = tl.load(which + z0) if ONE else tl.load(which + z, mask=there, other=classes - 1)
    cos, sin = tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1)
    voxel, bin_mm = tl.load(sizes), tl.load(sizes + 1)
    along_y = tl.abs(sin) > tl.abs(cos)  # of u, which runs across the light
    along, across = tl.where(along_y, sin, cos), tl.where(along_y, cos, sin)
    nu, nv = tl.where(along_y, ny, nx), tl.where(along_y, nx, ny)
    step_u, step_v = tl.where(along_y, 1, ny), tl.where(along_y, ny, 1)
    s = (b.to(tl.float64) - tl.load(sizes + 2)) * bin_mm
    near = bin_mm / tl.abs(along)  # mm along u
    reads = (2.0 * near / voxel).to(tl.int32) + 2
    total = tl.zeros((STRIP, DEEP), dtype)
    for line in range(nv):
        v2 = 2 * line - nv + 1
        v = v2.to(tl.float64) * 0.5 * voxel
        first = tl.ceil(((s - v * across) / along - near) / voxel + (nu - 1) * 0.5 - 0.001).to(tl.int32)
        for read in range(reads * (v2 * v2 <= limit).to(tl.int32)):
            ui = first + read
            u2 = 2 * ui - nu + 1
            u = u2.to(tl.float64) * 0.5 * voxel
            x, y = tl.where(along_y, v, u), tl.where(along_y, u, v)
            place, t, depth = _seen(x, y, cos, sin, sizes)
            lit = (ui >= 0) & (ui < nu) & (u2 * u2 + v2 * v2 <= limit) & (place > 0.0) & (place < bins + 1)
            left = tl.exp((-tl.load(sizes + 4) * depth).to(dtype))
            share = tl.maximum(1.0 - tl.abs(place - (b + 1)), 0.0).to(dtype)
            weight = tl.where(lit, left * share, 0.0)
            at = (ui.to(tl.int64) * step_u + line * step_v)[:, None] * nz + z[None, :]
            taken = lit[:, None] & there[None, :] & _before(t, b, view, kind, ends, first_end, band, classes, ONE)
            total += weight[:, None] * tl.load(volume + at, mask=taken, other=0.0)
    at = (view * bins + b.to(tl.int64))[:, None] * nz + z[None, :]
    tl.store(out + at, total * tl.load(sizes + 5).to(dtype), mask=(b < bins)[:, None] & there[None, :])
