"""The passes of solver bounded_lbfgs: the pairs are read once for their products, once for the direction.

See lbfgs_passes.py. Products are taken on the matrix units, each number as the sum of two of 11 bits (tf32x3), which
is as exact as float32 sums are.
"""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.one_pass_triton import BLOCK, clip, flag, free, launch, offsets, only, partial_sums, picked
from lightlathe.solve.lbfgs_passes import Products

WIDTH, TILES = 32, 256  # levels a product takes at a time, how many such tiles a program of one warp takes


@triton.jit
def _compared(tried, tried_gradient, x, gradient, sums, n, blocks, BLOCK: tl.constexpr):
    at = offsets(BLOCK)
    held = at < n
    to, old = tl.load(tried + at, mask=held, other=0.0), tl.load(x + at, mask=held, other=0.0)
    g = tl.load(gradient + at, mask=held, other=0.0)
    change, bend = to - old, tl.load(tried_gradient + at, mask=held, other=0.0) - g
    here = sums + tl.program_id(0)
    tl.store(here, tl.sum(g * change, 0))
    tl.store(here + blocks, tl.sum(change * bend, 0))
    tl.store(here + 2 * blocks, tl.sum(change * change, 0))
    tl.store(here + 3 * blocks, tl.sum(bend * bend, 0))
    tl.store(here + 4 * blocks, tl.sum(tl.abs(to), 0))
    tl.store(here + 5 * blocks, tl.sum(tl.abs(old), 0))


def compared(tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor) -> tuple[Tensor, ...]:
    n, blocks = x.numel(), triton.cdiv(x.numel(), BLOCK)
    sums = partial_sums(6, blocks, x)
    given = (part.contiguous() for part in (tried, tried_gradient, x, gradient))
    launch(_compared, (blocks,), *given, sums, n, blocks, BLOCK=BLOCK)
    return sums.sum(1, dtype=torch.float64).unbind()


@triton.jit
def _read(at, mask, HALF: tl.constexpr):
    """Numbers of the pairs; HALF: kept as the bits of bfloat16, the upper half of those of float32."""
    value = tl.load(at, mask=mask, other=0)
    return (value.to(tl.int32) << 16).to(tl.float32, bitcast=True) if HALF else value


@triton.jit
def _as_kept(x, HALF: tl.constexpr):
    """x as it will be read again; HALF: rounded to bfloat16, ties to even."""
    bits = x.to(tl.int32, bitcast=True)
    rounded = (bits + 0x7FFF + ((bits >> 16) & 1)) & -0x10000
    return rounded.to(tl.float32, bitcast=True) if HALF else x


@triton.jit
def _keep(at, x, mask, HALF: tl.constexpr):
    tl.store(at, (x.to(tl.int32, bitcast=True) >> 16).to(tl.int16) if HALF else x, mask=mask)


@triton.jit
def _learnt(
    accepted, keep, slot, tried, tried_gradient, x, gradient, changes, bends, sums, n, limit,
    HALF: tl.constexpr, PAIRS: tl.constexpr, SIDE: tl.constexpr, WIDTH: tl.constexpr, TILES: tl.constexpr,
):  # fmt: skip
    """Rows 0 to PAIRS - 1 of a tile are the pairs, row PAIRS of the bends' tile is the gradient, the rest zeros."""
    take, learn, newest = flag(accepted), flag(keep), tl.load(slot)
    row = tl.arange(0, SIDE)
    new_row = only(row == newest, learn)[:, None]
    with_bends, among_bends = tl.zeros((SIDE, SIDE), tl.float32), tl.zeros((SIDE, SIDE), tl.float32)
    own, size = tl.zeros((SIDE,), tl.float32), 0.0
    first = tl.program_id(0).to(tl.int64) * TILES * WIDTH
    for tile in range(tl.minimum(TILES, tl.cdiv(n - first, WIDTH))):
        at = first + tile * WIDTH + tl.arange(0, WIDTH)
        held = at < n
        to, old = tl.load(tried + at, mask=held, other=0.0), tl.load(x + at, mask=held, other=0.0)
        to_g, old_g = tl.load(tried_gradient + at, mask=held, other=0.0), tl.load(gradient + at, mask=held, other=0.0)
        change, bend = _as_kept(to - old, HALF), _as_kept(to_g - old_g, HALF)
        _keep(changes + newest * n + at, change, only(held, learn), HALF)
        _keep(bends + newest * n + at, bend, only(held, learn), HALF)
        level, g = tl.where(take > 0, to, old), tl.where(take > 0, to_g, old_g)
        movable = free(level, g, limit)
        q = g * movable
        place = row.to(tl.int64)[:, None] * n + at[None, :]
        read = (row < PAIRS)[:, None] & ~new_row & held[None, :]
        s = tl.where(new_row, change[None, :], _read(changes + place, read, HALF)) * movable[None, :]
        y = tl.where(new_row, bend[None, :], _read(bends + place, read, HALF)) * movable[None, :]
        y = tl.where((row == PAIRS)[:, None], q[None, :], y)
        across = tl.trans(y)
        with_bends = tl.dot(s, across, with_bends, input_precision="tf32x3")
        among_bends = tl.dot(y, across, among_bends, input_precision="tf32x3")
        own += tl.sum(s * s, 1)
        size += tl.sum(tl.abs(q), 0)  # pyright: ignore
    here = sums + tl.program_id(0).to(tl.int64) * (2 * SIDE * SIDE + SIDE + 1)
    square = row[:, None] * SIDE + row[None, :]
    tl.store(here + square, with_bends)
    tl.store(here + SIDE * SIDE + square, among_bends)
    tl.store(here + 2 * SIDE * SIDE + row, own)
    tl.store(here + 2 * SIDE * SIDE + SIDE, size)


def learnt(
    accepted: Tensor, keep: Tensor, slot: Tensor, tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor,
    changes: Tensor, bends: Tensor, *, limit: float,
) -> Products:  # fmt: skip
    m, n = changes.shape
    side = max(16, triton.next_power_of_2(m + 1))  # the least that the matrix units take is 16
    programs = triton.cdiv(n, WIDTH * TILES)
    sums = torch.empty(programs, 2 * side * side + side + 1, device=x.device, dtype=torch.float32)
    flags = accepted.view(torch.uint8), keep.view(torch.uint8), slot
    given = (part.contiguous() for part in (tried, tried_gradient, x, gradient))
    launch(
        _learnt, (programs,), *flags, *given, changes, bends, sums, n, float(limit),
        HALF=changes.dtype == torch.int16, PAIRS=m, SIDE=side, WIDTH=WIDTH, TILES=TILES, num_warps=1,
    )  # fmt: skip
    total = sums.sum(0, dtype=torch.float64)
    with_bends, among_bends = total[: 2 * side * side].reshape(2, side, side)
    return Products(
        change_change=total[2 * side * side :][:m],
        change_bend=with_bends[:m, :m],
        bend_bend=among_bends[:m, :m],
        change_load=with_bends[:m, m],
        bend_load=among_bends[:m, m],
        load=among_bends[m, m],
        size=total[-1],
    )


@triton.jit
def _combined(
    accepted, tried, x, gradient, direction, changes, bends, factors, step, towards, trial, taken, n, limit,
    HALF: tl.constexpr, PAIRS: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """factors: of the gradient, then of the changes, then of the bends."""
    take = flag(accepted)
    at = offsets(BLOCK)
    held = at < n
    level, g = picked(tried, x, at, held, take), tl.load(gradient + at, mask=held, other=0.0)
    movable = free(level, g, limit)
    total = tl.load(factors) * g * movable
    fresh = only(held, take)
    place = at
    for k in range(PAIRS):
        total += tl.load(factors + 1 + k) * _read(changes + place, fresh, HALF)
        total += tl.load(factors + 1 + PAIRS + k) * _read(bends + place, fresh, HALF)
        place += n
    old = tl.load(direction + at, mask=only(held, 1 - take), other=0.0)
    d = tl.where(take > 0, -total * movable, old)
    tl.store(towards + at, d, mask=held)
    tl.store(trial + at, clip(level + d * tl.load(step), limit), mask=held)
    tl.store(taken + at, level, mask=held)


def combined(
    accepted: Tensor, tried: Tensor, x: Tensor, gradient: Tensor, direction: Tensor, changes: Tensor, bends: Tensor,
    on_load: Tensor, on_changes: Tensor, on_bends: Tensor, step: Tensor, *, limit: float,
) -> tuple[Tensor, Tensor, Tensor]:  # fmt: skip
    m, n = changes.shape
    factors = torch.cat([on_load.reshape(1), on_changes, on_bends]).to(torch.float32)
    given = [part.contiguous() for part in (tried, x, gradient, direction)]
    made = torch.empty_like(given[0]), torch.empty_like(given[0]), torch.empty_like(given[0])
    launch(_combined, (triton.cdiv(n, 1024),),
        accepted.view(torch.uint8), *given, changes, bends, factors, step.to(torch.float32), *made, n, float(limit),
        HALF=changes.dtype == torch.int16, PAIRS=m, BLOCK=1024,
    )  # fmt: skip
    return made
