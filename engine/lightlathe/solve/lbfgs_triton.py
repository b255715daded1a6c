"""The passes of solver bounded_lbfgs: the pairs are read once for their products, once for the direction.

See lbfgs_passes.py. Products are taken on the matrix units, of pairs as bfloat16 as they lie, of others rounded to the
11 bits that those units take (tf32), and summed in float32: products of n rounded numbers err by some 2^-12 n^-1/2 of
their norms. The gradient is taken as a sum of SPLIT such numbers, which is as exact as float32. The units cut the last
digit of every sum off instead of rounding it: sums of squares come out up to 5e-5 low.
"""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.one_pass_triton import (
    BLOCK,
    bfloat_dot,
    clip,
    flag,
    free,
    interpreted,
    launch,
    offsets,
    only,
    partial_sums,
    to_bfloat,
)
from lightlathe.solve.lbfgs_passes import Products, stored

# levels a product takes at a time (of pairs as float32 half), such tiles a program of one warp takes, loads ahead
WIDTH, TILES, STAGES = 128, 64, 3
SPLIT = tl.constexpr(3)


@triton.jit
def _taken(x, HALF: tl.constexpr):
    """float32 x as a product takes it: rounded to bfloat16, or to the 11 bits of tf32, ties away from 0."""
    if HALF:
        rounded = to_bfloat(x).to(tl.bfloat16)
    else:
        rounded = ((x.to(tl.int32, bitcast=True) + 0x1000) & ~0x1FFF).to(tl.float32, bitcast=True)
    return rounded


@triton.jit
def _times(a, b, acc, HALF: tl.constexpr, WIDEN: tl.constexpr):
    return bfloat_dot(a, b, acc, WIDEN) if HALF else tl.dot(a, b, acc, input_precision="tf32")


@triton.jit
def _learnt(
    accepted, learn, slot, tried, tried_gradient, x, gradient, changes, bends, sums, n, limit, HALF: tl.constexpr,
    WIDEN: tl.constexpr, PAIRS: tl.constexpr, SIDE: tl.constexpr, WIDTH: tl.constexpr, TILES: tl.constexpr,
):  # fmt: skip
    """Rows 0 to PAIRS - 1 of a tile are the pairs, the next SPLIT rows of the bends' tile the gradient, then zeros."""
    take, write, newest = flag(accepted), flag(learn), tl.load(slot)
    row = tl.arange(0, SIDE)
    new_row = only(row == newest, write)[:, None]
    changes_changes = tl.zeros((SIDE, SIDE), tl.float32)
    changes_bends, bends_bends = tl.zeros((SIDE, SIDE), tl.float32), tl.zeros((SIDE, SIDE), tl.float32)
    size, levels = tl.zeros((WIDTH,), tl.float32), tl.zeros((WIDTH,), tl.float32)
    curved, moved, bent = tl.zeros((WIDTH,), tl.float32), tl.zeros((WIDTH,), tl.float32), tl.zeros((WIDTH,), tl.float32)
    first = tl.program_id(0).to(tl.int64) * TILES * WIDTH
    for tile in range(tl.minimum(TILES, tl.cdiv(n - first, WIDTH))):
        at = first + tile * WIDTH + tl.arange(0, WIDTH)
        held = at < n
        to, old = tl.load(tried + at, mask=held, other=0.0), tl.load(x + at, mask=held, other=0.0)
        to_g, old_g = tl.load(tried_gradient + at, mask=held, other=0.0), tl.load(gradient + at, mask=held, other=0.0)
        change, bend = to - old, to_g - old_g
        curved += change * bend
        moved += change * change
        bent += bend * bend
        if HALF:
            change, bend = to_bfloat(change).to(tl.bfloat16), to_bfloat(bend).to(tl.bfloat16)
        tl.store(changes + newest * n + at, change, mask=only(held, write))
        tl.store(bends + newest * n + at, bend, mask=only(held, write))
        level, g = tl.where(take > 0, to, old), tl.where(take > 0, to_g, old_g)
        movable = free(level, g, limit) > 0.0
        q = tl.where(movable, g, 0.0)
        size += tl.abs(q)
        levels += level
        place = row.to(tl.int64)[:, None] * n + at[None, :]
        read = (row < PAIRS)[:, None] & ~new_row & held[None, :]  # a mask of single levels would read them one by one
        s = tl.load(changes + place, mask=read, other=0.0)
        y = tl.load(bends + place, mask=read, other=0.0)
        s = tl.where(movable[None, :], tl.where(new_row, change[None, :], s), 0.0)
        y = tl.where(movable[None, :], tl.where(new_row, bend[None, :], y), 0.0)
        if not HALF:
            s, y = _taken(s, HALF), _taken(y, HALF)
        for part in tl.static_range(SPLIT):  # pyright: ignore
            share = _taken(q, HALF)
            q -= share.to(tl.float32)
            y = tl.where((row == PAIRS + part)[:, None], share[None, :], y)
        across = tl.trans(y)
        changes_changes = _times(s, tl.trans(s), changes_changes, HALF, WIDEN)
        changes_bends = _times(s, across, changes_bends, HALF, WIDEN)
        bends_bends = _times(y, across, bends_bends, HALF, WIDEN)
    here = sums + tl.program_id(0).to(tl.int64) * (3 * SIDE * SIDE + 5)
    square = row[:, None] * SIDE + row[None, :]
    tl.store(here + square, changes_changes)
    tl.store(here + SIDE * SIDE + square, changes_bends)
    tl.store(here + 2 * SIDE * SIDE + square, bends_bends)
    rest = here + 3 * SIDE * SIDE
    tl.store(rest, tl.sum(size, 0))
    tl.store(rest + 1, tl.sum(curved, 0))
    tl.store(rest + 2, tl.sum(moved, 0))
    tl.store(rest + 3, tl.sum(bent, 0))
    tl.store(rest + 4, tl.sum(levels, 0))


def learnt(
    accepted: Tensor, learn: Tensor, slot: Tensor, tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor,
    changes: Tensor, bends: Tensor, *, limit: float,
) -> Products:  # fmt: skip
    m, n = changes.shape
    half = changes.dtype == torch.int16
    width = WIDTH if half else WIDTH // 2
    side = max(16, triton.next_power_of_2(m + SPLIT.value))  # the least that the matrix units take is 16
    programs = triton.cdiv(n, width * TILES)
    sums = torch.empty(programs, 3 * side * side + 5, device=x.device, dtype=torch.float32)
    flags = accepted.view(torch.uint8), learn.view(torch.uint8), slot
    given = (part.contiguous() for part in (tried, tried_gradient, x, gradient))
    launch(
        _learnt, (programs,), *flags, *given, stored(changes), stored(bends), sums, n, float(limit),
        HALF=half, WIDEN=interpreted(), PAIRS=m, SIDE=side, WIDTH=width, TILES=TILES,
        num_warps=1, num_stages=STAGES,
    )  # fmt: skip
    total = sums.sum(0, dtype=torch.float64)
    changes_changes, changes_bends, bends_bends = total[: 3 * side * side].reshape(3, side, side)
    size, curved, moved, bent, levels = total[3 * side * side :]
    load = slice(m, m + SPLIT.value)
    return Products(
        change_change=changes_changes.diagonal()[:m],
        change_bend=changes_bends[:m, :m],
        bend_bend=bends_bends[:m, :m],
        change_load=changes_bends[:m, load].sum(1),
        bend_load=bends_bends[:m, load].sum(1),
        load=bends_bends[load, load].sum(),
        size=size,
        curved=curved,
        moved=moved,
        bent=bent,
        levels=levels,
    )


@triton.jit
def _combined(
    x, gradient, changes, bends, factors, step, trial, sums, n, limit, PAIRS: tl.constexpr, BLOCK: tl.constexpr
):
    """factors: of the gradient, then of the changes, then of the bends."""
    at = offsets(BLOCK)
    held = at < n
    level, g = tl.load(x + at, mask=held, other=0.0), tl.load(gradient + at, mask=held, other=0.0)
    total = tl.load(factors) * g
    place = at
    for k in range(PAIRS):
        total += tl.load(factors + 1 + k) * tl.load(changes + place, mask=held, other=0.0).to(tl.float32)
        total += tl.load(factors + 1 + PAIRS + k) * tl.load(bends + place, mask=held, other=0.0).to(tl.float32)
        place += n
    to = clip(level - total * free(level, g, limit) * tl.load(step), limit)
    tl.store(trial + at, to, mask=held)
    tl.store(sums + tl.program_id(0), tl.sum(g * (to - level), 0))


def combined(
    x: Tensor, gradient: Tensor, changes: Tensor, bends: Tensor, on_load: Tensor, on_changes: Tensor, on_bends: Tensor,
    step: Tensor, *, limit: float,
) -> tuple[Tensor, Tensor]:  # fmt: skip
    m, n = changes.shape
    factors = torch.cat([on_load.reshape(1), on_changes, on_bends]).to(torch.float32)
    given = [part.contiguous() for part in (x, gradient)]
    trial, blocks = torch.empty_like(given[0]), triton.cdiv(n, BLOCK)
    sums = partial_sums(1, blocks, x)
    launch(
        _combined, (blocks,), *given, stored(changes), stored(bends), factors, step.to(torch.float32), trial, sums, n,
        float(limit), PAIRS=m, BLOCK=BLOCK,
    )  # fmt: skip
    return trial, sums.sum(dtype=torch.float64)
