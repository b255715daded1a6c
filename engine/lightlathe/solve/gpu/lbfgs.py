"""The passes of solver bounded_lbfgs: the pairs are read once for their products, once for the direction.

See reference/lbfgs.py. Each thread holds four levels of every pair as one word, and all the sums that they go into, in
float32. Four codes by four others are one instruction; the gradient counts in 16 bits there, as two codes a number.
"""

from functools import lru_cache

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.triton_helpers import clip, flag, free, interpreted, launch, only, partial_sums
from lightlathe.solve.eight_bits import BLOCK as WIDTH
from lightlathe.solve.gpu.eight_bits import codes, codes_of_16, dot, numbers_of, scale_of, words
from lightlathe.solve.moves import Coded, Move, Point, Stepped
from lightlathe.solve.reference.lbfgs import Products

TILES, LANES = 64, WIDTH // 4  # blocks that a program of one warp takes the products of; its threads, 4 levels each
FEW_ROWS, REGISTERS = 10, 128  # up to so many rows the sums fit into so few registers, which lets more warps run
AHEAD = 3  # blocks that are on their way at a time
ROWS = 4  # blocks that a program takes for the direction


@triton.jit
def _learnt(
    accepted, learn, slot, tried, tried_gradient, x, gradient, change, change_scales, pairs, scales, sums, n, blocks,
    limit, PAIRS: tl.constexpr, LANES: tl.constexpr, TILES: tl.constexpr, AHEAD: tl.constexpr, PLAIN: tl.constexpr,
):  # fmt: skip
    """Sums in the order of `_places`, then those of |q| and of the levels. Pairs and change: four codes a word."""
    take, write, newest = flag(accepted), flag(learn), tl.load(slot)
    total = ()
    for i in tl.static_range(2 * PAIRS + 1):  # pyright: ignore
        for j in tl.static_range(i + 1):  # pyright: ignore
            if i >= PAIRS or i == j:
                total += (tl.zeros((LANES,), tl.float32),)
    size, levels = tl.zeros((LANES,), tl.float32), tl.zeros((LANES,), tl.float32)
    lane = tl.arange(0, LANES)
    inside = lane[:, None] * 4 + tl.arange(0, 4)[None, :]
    first = tl.program_id(0).to(tl.int64) * TILES
    for tile in tl.range(0, tl.minimum(TILES, blocks - first).to(tl.int32), num_stages=AHEAD):  # pyright: ignore
        block = first + tile
        row, word = block * (2 * PAIRS), block * LANES + lane
        at = block * (4 * LANES) + inside
        held = at < n
        old = ()  # all that is read, before anything is written: no load waits for a store
        for k in tl.static_range(2 * PAIRS):  # pyright: ignore
            old += (tl.load(pairs + (row + k) * LANES + lane), tl.load(scales + row + k))
        s, s_scale = tl.load(change + word), tl.load(change_scales + block)
        to_g, old_g = tl.load(tried_gradient + at, mask=held, other=0.0), tl.load(gradient + at, mask=held, other=0.0)
        level = tl.load(tried + at, mask=only(held, take), other=0.0)
        level += tl.load(x + at, mask=only(held, 1 - take), other=0.0)

        gradient_change = to_g - old_g
        most = tl.max(tl.max(tl.abs(gradient_change), 1), 0)
        y, y_scale = words(codes(gradient_change, most)), scale_of(most)
        g = tl.where(take > 0, to_g, old_g)
        movable = free(level, g, limit)
        q = g * movable
        size += tl.sum(tl.abs(q), 1)
        levels += tl.sum(level, 1)
        most = tl.max(tl.max(tl.abs(q), 1), 0)
        high, low = codes_of_16(q, most)
        high, low, q_scale = words(high), words(low), scale_of(most) / 256
        seen = words(tl.where(movable > 0.0, 255, 0))
        rows, sizes = (), ()
        for k in tl.static_range(2 * PAIRS):  # pyright: ignore
            new = only(newest + (k // PAIRS) * PAIRS == k, write)
            rows += (tl.where(new, s if k < PAIRS else y, old[2 * k]) & seen,)
            sizes += (tl.where(new, s_scale if k < PAIRS else y_scale, old[2 * k + 1]),)
        sooner = ()
        for i in tl.static_range(2 * PAIRS):  # pyright: ignore
            for j in tl.static_range(i + 1):  # pyright: ignore
                if i >= PAIRS or i == j:
                    product = dot(rows[i], rows[j], PLAIN) * sizes[i] * sizes[j]  # pyright: ignore
                    sooner += (total[len(sooner)] + product,)
        for j in tl.static_range(2 * PAIRS):  # pyright: ignore
            with_q = 256.0 * dot(rows[j], high, PLAIN) + dot(rows[j], low, PLAIN)
            sooner += (total[len(sooner)] + with_q * sizes[j] * q_scale,)
        sooner += (total[len(sooner)] + tl.sum(q * q, 1),)
        total = sooner

        everywhere = only(lane >= 0, write)
        tl.store(pairs + (row + newest) * LANES + lane, s, mask=everywhere)
        tl.store(pairs + (row + PAIRS + newest) * LANES + lane, y, mask=everywhere)
        tl.store(scales + row + newest, s_scale, mask=write > 0)
        tl.store(scales + row + PAIRS + newest, y_scale, mask=write > 0)
    here = sums + tl.program_id(0).to(tl.int64) * (len(total) + 2)
    for k in tl.static_range(len(total)):  # pyright: ignore
        tl.store(here + k, tl.sum(total[k], 0))
    tl.store(here + len(total), tl.sum(size, 0))
    tl.store(here + len(total) + 1, tl.sum(levels, 0))


@lru_cache
def _places(pairs: int, device: torch.device) -> tuple[Tensor, int]:
    """(rows, rows) of Products.gram: the place of each product among the sums, that of none behind them all; sums."""
    rows = 2 * pairs + 1
    taken = [(i, j) for i in range(rows) for j in range(i + 1) if i >= pairs or i == j]
    places = torch.full((rows, rows), len(taken), dtype=torch.int64)
    for place, (i, j) in enumerate(taken):
        places[i, j] = places[j, i] = place
    return places.to(device), len(taken)


def learnt(move: Move, learn: Tensor, slot: Tensor, change: Coded, pairs: Coded, *, limit: float) -> Products:
    x, (blocks, rows) = move.before.patterns, pairs.scales.shape
    places, count = _places(rows // 2, x.device)
    programs = triton.cdiv(blocks, TILES)
    sums = torch.empty(programs, count + 2, device=x.device, dtype=torch.float32)
    flags = move.accepted.view(torch.uint8), learn.view(torch.uint8), slot
    given = (part.contiguous() for part in (*move.tried, *move.before))
    memory = change.codes.view(torch.int32), change.scales, pairs.codes.view(torch.int32), pairs.scales
    launch(
        _learnt, (programs,), *flags, *given, *memory, sums, x.numel(), blocks, float(limit),
        PAIRS=rows // 2, LANES=LANES, TILES=TILES, AHEAD=AHEAD, PLAIN=interpreted(), num_warps=1,
        maxnreg=REGISTERS if rows <= FEW_ROWS else None,
    )  # fmt: skip
    total = sums.sum(0, dtype=torch.float64)
    none = torch.zeros_like(total[:1])
    return Products(torch.cat([total[:-2], none])[places], total[-2], total[-1])


@triton.jit
def _factors(
    gram, size, levels, age, slot, first, found, new_age, first_change, PAIRS: tl.constexpr, SIDE: tl.constexpr
):
    """One program for all of reference.lbfgs.factors: the two loops themselves, on inner products."""
    rows: tl.constexpr = 2 * PAIRS + 1
    i = tl.arange(0, SIDE)
    there = i < PAIRS
    square, both = i[:, None] * rows + i[None, :], there[:, None] & there[None, :]
    own = i * (rows + 1)
    sy = tl.load(gram + PAIRS + square, mask=both, other=0.0)  # (s, y)
    yy = tl.load(gram + PAIRS * (rows + 1) + square, mask=both, other=0.0)
    curved = tl.load(gram + PAIRS + own, mask=there, other=0.0)
    bent = tl.load(gram + PAIRS * (rows + 1) + own, mask=there, other=0.0)
    upward = curved > 1e-10 * tl.sqrt(tl.load(gram + own, mask=there, other=0.0) * bent)
    s_load = tl.load(gram + i * rows + 2 * PAIRS, mask=there, other=0.0)
    y_load = tl.load(gram + (PAIRS + i) * rows + 2 * PAIRS, mask=there, other=0.0)

    ages = tl.load(age + i, mask=there, other=0)
    newest = (i == tl.load(slot)) & (flag(first) == 0)
    ages = tl.where(newest, tl.where(upward, tl.max(ages, 0) + 1, 0), ages)  # pyright: ignore
    tl.store(new_age + i, ages, mask=there)
    valid = there & (ages > 0) & upward
    younger = (ages[None, :] > ages[:, None]) & valid[None, :]
    rank = tl.where(valid, tl.sum(younger.to(tl.int32), 1), SIDE)

    alpha, on_changes = tl.zeros((SIDE,), tl.float64), tl.zeros((SIDE,), tl.float64)
    over = 1.0 / tl.where(valid, curved, 1.0)
    for turn in range(PAIRS):
        alpha = tl.where(rank == turn, (s_load - tl.sum(sy * alpha[None, :], 1)) * over, alpha)
    naive = first_change * tl.load(levels) / tl.maximum(tl.load(size), 1e-300)
    some = tl.sum(valid.to(tl.int32), 0) > 0  # pyright: ignore
    learnt = tl.sum(tl.where(rank == 0, curved / tl.where(valid, bent, 1.0), 0.0), 0)
    scale = tl.where(some, learnt, naive)
    seen = scale * (y_load - tl.sum(yy * alpha[None, :], 1))
    for turn in range(PAIRS):
        beta = (seen + tl.sum(sy * on_changes[:, None], 0)) * over
        on_changes = tl.where(rank == PAIRS - 1 - turn, alpha - beta, on_changes)
    on_bends = -scale * alpha
    steepness = scale * tl.load(gram + rows * rows - 1) + tl.sum(on_changes * s_load + on_bends * y_load, 0)
    downhill = steepness > 0.0
    tl.store(found + i, tl.where(downhill, on_changes, 0.0), mask=there)
    tl.store(found + PAIRS + i, tl.where(downhill, on_bends, 0.0), mask=there)
    tl.store(found + 2 * PAIRS, tl.where(downhill, scale, 1.0))


def factors(
    products: Products, age: Tensor, slot: Tensor, first: Tensor, *, first_change: float
) -> tuple[Tensor, Tensor]:
    pairs = len(age)
    found, new_age = torch.empty_like(products.gram[0]), torch.empty_like(age)
    launch(
        _factors, (1,), products.gram.contiguous(), products.size, products.levels, age, slot, first.view(torch.uint8),
        found, new_age, float(first_change), PAIRS=pairs, SIDE=max(2, triton.next_power_of_2(pairs)), num_warps=1,
    )  # fmt: skip
    return found, new_age


@triton.jit
def _combined(
    accepted, tried, tried_gradient, x, gradient, pairs, scales, factors, step, trial, change, change_scales, sums, n,
    blocks, limit, PAIRS: tl.constexpr, ROWS: tl.constexpr, WIDTH: tl.constexpr,
):  # fmt: skip
    """factors: of the changes, of the changes of the gradient, of the gradient."""
    block = tl.program_id(0).to(tl.int64) * ROWS + tl.arange(0, ROWS)
    at = block[:, None] * WIDTH + tl.arange(0, WIDTH)[None, :]
    there, held = block < blocks, at < n
    rows = block * (2 * PAIRS)
    take = flag(accepted)
    new, old = only(held, take), only(held, 1 - take)
    level = tl.load(tried + at, mask=new, other=0.0) + tl.load(x + at, mask=old, other=0.0)
    g = tl.load(tried_gradient + at, mask=new, other=0.0) + tl.load(gradient + at, mask=old, other=0.0)
    tl.store(tried + at, level, mask=old)
    tl.store(tried_gradient + at, g, mask=old)
    total = tl.load(factors + 2 * PAIRS) * g
    for k in tl.static_range(2 * PAIRS):  # pyright: ignore
        scale = tl.load(factors + k) * tl.load(scales + rows + k, mask=there, other=0.0)
        inside = tl.arange(0, WIDTH)[None, :]
        kept = tl.load(pairs + (rows + k)[:, None] * WIDTH + inside, mask=there[:, None], other=0).to(tl.int32)
        total += scale[:, None] * numbers_of(kept)
    to = clip(level - total * free(level, g, limit) * tl.load(step), limit)
    tl.store(trial + at, to, mask=held)
    change_here = to - level
    most = tl.max(tl.abs(change_here), 1)
    change_codes = codes(change_here, most[:, None]) & 255  # pyright: ignore
    tl.store(change + at, change_codes.to(tl.uint8), mask=there[:, None])
    tl.store(change_scales + block, scale_of(most), mask=there)
    tl.store(sums + tl.program_id(0), tl.sum(g * change_here))


def combined(move: Move, pairs: Coded, factors: Tensor, step: Tensor, *, limit: float) -> Stepped:
    blocks, rows = pairs.scales.shape
    given = [part.contiguous() for part in (*move.tried, *move.before)]
    trial = torch.empty_like(given[0])
    change = Coded(torch.empty_like(pairs.codes[:, 0]), torch.empty_like(pairs.scales[:, 0]))
    programs = triton.cdiv(blocks, ROWS)
    sums = partial_sums(1, programs, trial)
    memory = pairs.codes.view(torch.uint8), pairs.scales, factors.to(torch.float32), step.to(torch.float32)
    launch(
        _combined, (programs,), move.accepted.view(torch.uint8), *given, *memory, trial,
        change.codes.view(torch.uint8), change.scales, sums, trial.numel(), blocks, float(limit),
        PAIRS=rows // 2, ROWS=ROWS, WIDTH=WIDTH,
    )  # fmt: skip
    return Stepped(Point(*given[:2]), trial, sums.sum(dtype=torch.float64), change)
