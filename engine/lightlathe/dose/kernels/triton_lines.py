"""The dose kernels in Triton for bins on general chords: deflected, or unevenly spaced (see dose/lines.py).

The scheme of triton_kernels.py, one view at a time: views from behind are no mirror images here. The chord beside a
voxel is found by bisection, and its place between two chords from the distances to both; all in float64, once for all
slices of a block. So weights are as exact as elsewhere and only their products are in halves.
"""

import math

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.dose.kernels.triton_kernels import _product, _scale

STRIP = 16  # bins that one program gathers: the rows of a matrix instruction
RUN = 8  # voxels read in a row
INNER = 64  # voxels in one product
BENT_AT_MOST = 1.0  # rad, between both ends of a strip: neither may run across the axis that their mean runs along


def tables(views, device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """float64: (angle, 2) cosine and sine; (chord, 4) offset, turn, its cosine and sine; voxel and radius in mm."""
    offset, turn = views.lines.with_dark
    angles = torch.stack([views.angle_rad.cos(), views.angle_rad.sin()], 1)
    chords = torch.stack([offset, turn, turn.cos(), turn.sin()], 1)
    sizes = torch.tensor([views.voxel_mm, views.radius_mm], dtype=torch.float64)
    return angles.to(device).contiguous(), chords.to(device).contiguous(), sizes.to(device)


def decay_per_mm(views) -> float:
    """log2 of the light lost per mm."""
    return -views.absorption_per_mm * math.log2(math.e)


@triton.jit
def _beyond(chords, k, s, t):
    """Distance of places from chord k, counted towards larger s."""
    return s * tl.load(chords + 4 * k + 2) + t * tl.load(chords + 4 * k + 3) - tl.load(chords + 4 * k)


@triton.jit
def _weigh(chords, s, t, from_chord, to_chord, steps, radius, decay):
    """The chord below each place, its share towards the next, and the light left there: none beyond from and to."""
    k = from_chord + tl.zeros_like(s).to(tl.int32)
    end = to_chord + tl.zeros_like(k)
    for _ in range(steps):
        half = (k + end) // 2
        passed = _beyond(chords, half, s, t) >= 0.0
        k = tl.where(passed, half, k)
        end = tl.where(passed, end, half)
    below, above = _beyond(chords, k, s, t), _beyond(chords, k + 1, s, t)
    lit = (below >= 0.0) & (above < 0.0)
    part = below / tl.where(lit, below - above, 1.0)
    bend = part * (tl.load(chords + 4 * k + 5) - tl.load(chords + 4 * k + 1))
    bend = tl.where(lit, bend, 0.0).to(tl.float32)  # small: its sine is exact enough in float32
    across, along = below + tl.load(chords + 4 * k), t * tl.load(chords + 4 * k + 2) - s * tl.load(chords + 4 * k + 3)
    c, n = tl.cos(bend), tl.sin(bend)
    s_here, t_here = across * c + along * n, along * c - across * n
    inner = ((radius - s_here) * (radius + s_here)).to(tl.float32)
    depth = tl.sqrt(tl.maximum(inner, 0.0)) + t_here.to(tl.float32)
    light = tl.where(lit, tl.exp2(decay * tl.maximum(depth, 0.0)), 0.0)
    return k, tl.where(lit, part, 0.0).to(tl.float32), light


@triton.jit
def deposit_lines_kernel(
    hi, lo, low, high, angles, chords, sizes, dose,
    nx, ny, nz, padded, bins, views, steps, decay, limit, gain,
    SPLIT: tl.constexpr, TILE: tl.constexpr, BINS: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """One tile of TILE x TILE voxel columns, BLOCK slices, all views one after another; `hi` as in deposit_kernel."""
    tiles = tl.cdiv(ny, TILE)
    p = tl.arange(0, TILE * TILE)
    i, j = tl.program_id(0) // tiles * TILE + p // TILE, tl.program_id(0) % tiles * TILE + p % TILE
    z = tl.program_id(1) * BLOCK + tl.arange(0, BLOCK)
    x2, y2 = 2 * i - nx + 1, 2 * j - ny + 1
    inside = (i < nx) & (j < ny) & (x2 * x2 + y2 * y2 <= limit)
    voxel, radius = tl.load(sizes), tl.load(sizes + 1)
    x, y = x2.to(tl.float64) * 0.5 * voxel, y2.to(tl.float64) * 0.5 * voxel
    b = tl.arange(0, BINS)
    wide = bins + 2 * BINS
    acc = tl.zeros((TILE * TILE, BLOCK), tl.float32)
    for a in range(views * tl.max(inside.to(tl.int32), 0)):
        cos, sin = tl.load(angles + 2 * a), tl.load(angles + 2 * a + 1)
        k, part, light = _weigh(chords, x * cos + y * sin, y * cos - x * sin, 0, bins + 1, steps, radius, decay)
        first = tl.min(tl.where(inside, k, bins), 0)  # chord 0 is dark: bin -1
        there = (a * wide + BINS + first - 1).to(tl.int64) * padded + b[:, None] * padded + z[None, :]
        g = tl.load(hi + there)
        g_lo = tl.load(lo + there) if SPLIT else g
        at = (k - first)[:, None] - b[None, :]
        w = tl.where(at == 0, (light * (1.0 - part))[:, None], tl.where(at == -1, (light * part)[:, None], 0.0))
        acc = _product(w, g, g_lo, acc, SPLIT)
    _, back = _scale(low, high)
    acc = tl.where(inside[:, None], acc * back * gain, 0.0)
    out = (i.to(tl.int64) * ny + j)[:, None] * nz + z[None, :]
    tl.store(dose + out, acc, mask=((i < nx) & (j < ny))[:, None] & (z < nz)[None, :])


@triton.jit
def _band(line, nu, nv, voxel, limit, low_u, low_v, low_at, high_u, high_v, high_at):
    """First and last voxel along u of a line of voxels, between two chords and in the vial; -1 as the last: none."""
    v2 = 2 * line - nv + 1
    v = v2.to(tl.float64) * 0.5 * voxel
    chord = tl.sqrt(tl.maximum(limit - v2 * v2, 0).to(tl.float32)).to(tl.float64) * 0.5 * voxel
    low, high = (low_at - v * low_v) / low_u, (high_at - v * high_v) / high_u
    start, stop = tl.maximum(tl.minimum(low, high), -chord) / voxel, tl.minimum(tl.maximum(low, high), chord) / voxel
    held = (line < nv) & (v2 * v2 <= limit) & (start <= stop)
    # a little more than the band: what lies beyond has no weight
    first = tl.maximum(tl.ceil(tl.where(held, start, 0.0) + (nu - 1) * 0.5 - 0.02).to(tl.int32), 0)
    last = tl.minimum(tl.floor(tl.where(held, stop, 0.0) + (nu - 1) * 0.5 + 0.02).to(tl.int32), nu - 1)
    return first, tl.where(held, last, -1)


@triton.jit
def collect_lines_kernel(
    hi, lo, low, high, angles, chords, sizes, out,
    nx, ny, nz, padded, bins, strips, steps, decay, limit, gain,
    SPLIT: tl.constexpr, STRIP: tl.constexpr, RUN: tl.constexpr, INNER: tl.constexpr, LINES: tl.constexpr,
    BLOCK: tl.constexpr,
):  # fmt: skip
    """STRIP bins of one view: line by line along v, runs of RUN voxels along u of the band that those bins light."""
    view, strip = tl.program_id(0) // strips, tl.program_id(0) % strips
    z = tl.program_id(1) * BLOCK + tl.arange(0, BLOCK)
    cos, sin = tl.load(angles + 2 * view), tl.load(angles + 2 * view + 1)
    voxel, radius = tl.load(sizes), tl.load(sizes + 1)
    # the chords at both ends of the band, one bin beyond the strip
    below, above = strip * STRIP, tl.minimum(strip * STRIP + STRIP + 1, bins + 1)
    c, n = tl.load(chords + 4 * below + 2), tl.load(chords + 4 * below + 3)
    low_x, low_y = cos * c - sin * n, sin * c + cos * n
    c, n = tl.load(chords + 4 * above + 2), tl.load(chords + 4 * above + 3)
    high_x, high_y = cos * c - sin * n, sin * c + cos * n
    swapped = tl.abs(low_x + high_x) < tl.abs(low_y + high_y)
    nu, nv = tl.where(swapped, ny, nx), tl.where(swapped, nx, ny)
    step_u, step_v = tl.where(swapped, 1, ny), tl.where(swapped, ny, 1)
    low_u, low_v = tl.where(swapped, low_y, low_x), tl.where(swapped, low_x, low_y)
    high_u, high_v = tl.where(swapped, high_y, high_x), tl.where(swapped, high_x, high_y)
    low_at, high_at = tl.load(chords + 4 * below), tl.load(chords + 4 * above)

    PACK: tl.constexpr = INNER // RUN
    number = tl.arange(0, LINES)
    first, last = _band(number, nu, nv, voxel, limit, low_u, low_v, low_at, high_u, high_v, high_at)
    begin = tl.min(tl.where(last >= first, number, LINES), 0) // PACK
    end = tl.max(tl.where(last >= first, number, -1), 0) // PACK + 1

    p = tl.arange(0, INNER)
    r = tl.arange(0, STRIP)
    acc = tl.zeros((STRIP, BLOCK), tl.float32)
    for pack in range(begin, end):
        vi = pack * PACK + p // RUN
        v = (2 * vi - nv + 1).to(tl.float64) * 0.5 * voxel
        from_u, to_u = _band(vi, nu, nv, voxel, limit, low_u, low_v, low_at, high_u, high_v, high_at)
        for run in range(tl.max((to_u - from_u + RUN) // RUN, 0)):
            ui = from_u + run * RUN + p % RUN
            read = ui <= to_u
            u = (2 * ui - nu + 1).to(tl.float64) * 0.5 * voxel
            x, y = tl.where(swapped, v, u), tl.where(swapped, u, v)
            k, part, light = _weigh(chords, x * cos + y * sin, y * cos - x * sin, below, above, steps, radius, decay)
            where = (ui.to(tl.int64) * step_u + vi * step_v)[:, None] * padded + z[None, :]
            g = tl.load(hi + where, mask=read[:, None], other=0.0)
            g_lo = tl.load(lo + where, mask=read[:, None], other=0.0) if SPLIT else g
            at = (k - below - 1)[None, :] - r[:, None]
            w = tl.where(at == 0, (light * (1.0 - part))[None, :], tl.where(at == -1, (light * part)[None, :], 0.0))
            acc = _product(w, g, g_lo, acc, SPLIT)
    _, back = _scale(low, high)
    at = strip * STRIP + r
    where = (view * bins + at).to(tl.int64)[:, None] * nz + z[None, :]
    tl.store(out + where, acc * back * gain, mask=(at < bins)[:, None] & (z < nz)[None, :])
