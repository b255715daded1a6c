"""The kernels of triton_double.py: each number of the result is added up by one thread, in a fixed order."""

import triton
import triton.language as tl

SIZES = ["nx", "ny", "nz", "bins", "views", "strips", "limit"]  # compiled once for all


@triton.jit
def _place_and_light(x, y, cos, sin, sizes):
    """Where a voxel at x, y (mm) falls among the bins, with one dark bin before the first; and the light left there."""
    s, t = x * cos + y * sin, y * cos - x * sin
    radius = tl.load(sizes + 3)
    depth = tl.sqrt(tl.maximum(radius * radius - s * s, 0.0)) + t
    away = tl.abs(t - tl.load(sizes + 6))  # from the plane of focus: see dose/focus.py
    rising = tl.load(sizes + 7) + tl.load(sizes + 8) * away
    share = tl.minimum(tl.maximum(tl.minimum(rising, tl.load(sizes + 9) - tl.load(sizes + 10) * away), 0.0), 1.0)
    left = tl.exp(-tl.load(sizes + 4) * tl.maximum(depth, 0.0)) * share
    return s / tl.load(sizes + 1) + tl.load(sizes + 2) + 1.0, left


@triton.jit(do_not_specialize=SIZES)
def deposit_kernel(
    light, angles, sizes, dose, nx, ny, nz, bins, views, limit, STRIP: tl.constexpr, DEEP: tl.constexpr
):  # fmt: skip
    """STRIP voxel columns, DEEP slices, one view after the other."""
    column = tl.program_id(0) * STRIP + tl.arange(0, STRIP)
    i, j = column // ny, column % ny
    z = tl.program_id(1) * DEEP + tl.arange(0, DEEP)
    x2, y2 = 2 * i - nx + 1, 2 * j - ny + 1
    wet = (i < nx) & (x2 * x2 + y2 * y2 <= limit)
    half = 0.5 * tl.load(sizes)
    x, y = x2.to(tl.float64) * half, y2.to(tl.float64) * half
    total = tl.zeros((STRIP, DEEP), tl.float64)
    for view in range(views):
        place, left = _place_and_light(x, y, tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1), sizes)
        lit = wet & (place > 0.0) & (place < bins + 1)
        low = tl.where(lit, tl.floor(place), 0.0)
        share = place - low
        first = low.to(tl.int32) - 1  # -1: the dark bin
        at = (view * bins + first.to(tl.int64))[:, None] * nz + z[None, :]
        there = lit[:, None] & (z < nz)[None, :]
        near = tl.load(light + at, mask=there & (first >= 0)[:, None], other=0.0)
        far = tl.load(light + at + nz, mask=there & (first + 1 < bins)[:, None], other=0.0)
        total += (left * (1.0 - share))[:, None] * near + (left * share)[:, None] * far
    total = tl.where(wet[:, None], total, 0.0) * tl.load(sizes + 5)
    tl.store(dose + column.to(tl.int64)[:, None] * nz + z[None, :], total, mask=(i < nx)[:, None] & (z < nz)[None, :])


@triton.jit(do_not_specialize=SIZES)
def collect_kernel(
    volume, angles, sizes, out, nx, ny, nz, bins, strips, limit, STRIP: tl.constexpr, DEEP: tl.constexpr
):  # fmt: skip
    """STRIP bins of one view, DEEP slices: line by line of voxels, each bin those near enough to take from it."""
    view, strip = tl.program_id(0) // strips, tl.program_id(0) % strips
    b = strip * STRIP + tl.arange(0, STRIP)
    z = tl.program_id(1) * DEEP + tl.arange(0, DEEP)
    cos, sin = tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1)
    voxel, bin_mm = tl.load(sizes), tl.load(sizes + 1)
    along_y = tl.abs(sin) > tl.abs(cos)  # of u, which runs across the light
    along, across = tl.where(along_y, sin, cos), tl.where(along_y, cos, sin)
    nu, nv = tl.where(along_y, ny, nx), tl.where(along_y, nx, ny)
    step_u, step_v = tl.where(along_y, 1, ny), tl.where(along_y, ny, 1)
    s = (b.to(tl.float64) - tl.load(sizes + 2)) * bin_mm
    near = bin_mm / tl.abs(along)  # mm along u
    reads = (2.0 * near / voxel).to(tl.int32) + 2
    total = tl.zeros((STRIP, DEEP), tl.float64)
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
            weight = tl.where(lit, left * tl.maximum(1.0 - tl.abs(place - (b + 1)), 0.0), 0.0)
            at = (ui.to(tl.int64) * step_u + line * step_v)[:, None] * nz + z[None, :]
            total += weight[:, None] * tl.load(volume + at, mask=lit[:, None] & (z < nz)[None, :], other=0.0)
    at = (view * bins + b.to(tl.int64))[:, None] * nz + z[None, :]
    tl.store(out + at, total * tl.load(sizes + 5), mask=(b < bins)[:, None] & (z < nz)[None, :])
