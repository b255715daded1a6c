"""The updates of solver slicewise_lbfgs, fused: the pairs are read once for their products, once for the direction.

See solve/reference/slicewise.py. For the products every thread has a slice of its own and walks along the columns with
all sums in registers, so no sum crosses threads.
"""

from functools import lru_cache

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.triton_helpers import clip, free, launch
from lightlathe.solve.gpu.slicewise_factors import factors
from lightlathe.solve.moves import Coded, Move, Point, Stepped
from lightlathe.solve.reference.slicewise import BLOCK, Products

__all__ = ["factors", "products", "stepped"]
SLICES, TURNS = 64, 1  # slices of a program, blocks that it walks through
SIZES = ["units", "blocks", "columns", "nz", "plane", "scale_plane"]  # compiled once for all: that takes seconds


@triton.jit
def _code(value, top):
    """Whole numbers -127..127 as int32, ties to even; 0 in a block of nothing."""
    scaled = tl.where(top > 1e-33, value * (127.0 / tl.where(top > 1e-33, top, 1.0)), 0.0)
    magic = 12582912.0  # 1.5 * 2^23: adding it rounds to whole numbers
    return ((scaled + magic) - magic).to(tl.int32)


@triton.jit
def _number(word, place: tl.constexpr):
    """The code at a place of a word, as float32."""
    return ((word << (24 - 8 * place)) >> 24).to(tl.float32)


@triton.jit
def _word(a, b, c, d):
    return (a & 255) | ((b & 255) << 8) | ((c & 255) << 16) | (d << 24)


@triton.jit(do_not_specialize=SIZES)
def _products(
    accepted, slot, tried, tried_gradient, x, gradient, change, change_scales, codes, scales, sums,
    units, blocks, columns, nz, plane, scale_plane, limit,
    PAIRS: tl.constexpr, SLICES: tl.constexpr, TURNS: tl.constexpr, WIDTH: tl.constexpr,
):  # fmt: skip
    """Sums (program, sum, slice) in the order of `_places`, then those of |q| and of the levels.

    units, blocks   angles times blocks of columns; blocks of one angle
    plane, scale_plane   words of one array of codes, numbers of one of scales
    """
    plane, scale_plane = plane.to(tl.int64), scale_plane.to(tl.int64)  # ten of them may pass 2^31
    z = tl.program_id(1) * SLICES + tl.arange(0, SLICES)
    there = z < nz
    take = tl.load(accepted + z, mask=there, other=0) != 0
    newest = tl.load(slot).to(tl.int64)
    own_slot = newest + tl.zeros((SLICES,), tl.int64)
    total = ()
    for i in tl.static_range(2 * PAIRS + 1):  # pyright: ignore
        for j in tl.static_range(i + 1):  # pyright: ignore
            if i >= PAIRS or i == j:
                total += (tl.zeros((SLICES,), tl.float32),)
    size, levels = tl.zeros((SLICES,), tl.float32), tl.zeros((SLICES,), tl.float32)
    first = tl.program_id(0) * TURNS
    for turn in range(tl.minimum(TURNS, units - first)):  # pyright: ignore
        unit = (first + turn).to(tl.int64)
        angle, start = unit // blocks, (unit % blocks) * WIDTH
        fours = (tl.minimum(WIDTH, columns - start) + 3) // 4
        top = tl.zeros((SLICES,), tl.float32)
        for four in range(fours):
            bends = ()
            for u in tl.static_range(4):  # pyright: ignore
                at = (angle * columns + start + 4 * four + u) * nz + z
                held = there & (start + 4 * four + u + 0 * z < columns)
                bends += (
                    tl.load(tried_gradient + at, mask=held, other=0.0) - tl.load(gradient + at, mask=held, other=0.0),
                )
            for u in tl.static_range(4):  # pyright: ignore
                top = tl.maximum(top, tl.abs(bends[u]), propagate_nan=tl.PropagateNan.ALL)
        per = unit * nz + z
        change_scale = tl.load(change_scales + per, mask=there, other=0.0)
        bend_scale = tl.where(top <= 1e-33, 0.0, top / 127.0)
        sizes = ()
        for k in tl.static_range(2 * PAIRS):  # pyright: ignore
            new_here = own_slot + (k // PAIRS) * PAIRS == k
            old_scale = tl.load(scales + k * scale_plane + per, mask=there & (new_here == 0), other=0.0)
            sizes += (tl.where(new_here, change_scale if k < PAIRS else bend_scale, old_scale),)
        tl.store(scales + newest * scale_plane + per, change_scale, mask=there)
        tl.store(scales + (newest + PAIRS) * scale_plane + per, bend_scale, mask=there)
        for four in range(fours):
            word = (angle * (blocks * WIDTH // 4) + start // 4 + four) * nz + z
            to_g, old_g, level = (), (), ()  # all that is read, before anything is written
            for u in tl.static_range(4):  # pyright: ignore
                at = (angle * columns + start + 4 * four + u) * nz + z
                held = there & (start + 4 * four + u + 0 * z < columns)
                to_g += (tl.load(tried_gradient + at, mask=held, other=0.0),)
                old_g += (tl.load(gradient + at, mask=held, other=0.0),)
                level += (
                    tl.load(tried + at, mask=held & take, other=0.0)
                    + tl.load(x + at, mask=held & (take == 0), other=0.0),
                )
            s = tl.load(change + word, mask=there, other=0)
            old = ()
            for k in tl.static_range(2 * PAIRS):  # pyright: ignore
                new_word = own_slot + (k // PAIRS) * PAIRS == k
                old += (tl.load(codes + k * plane + word, mask=there & (new_word == 0), other=0),)
            y_codes = ()
            for u in tl.static_range(4):  # pyright: ignore
                y_codes += (_code(to_g[u] - old_g[u], top),)
            y = _word(y_codes[0], y_codes[1], y_codes[2], y_codes[3])
            for u in tl.static_range(4):  # pyright: ignore
                g = tl.where(take, to_g[u], old_g[u])
                movable = free(level[u], g, limit)
                q = g * movable
                size += tl.abs(q)
                levels += level[u]
                rows = ()
                for k in tl.static_range(2 * PAIRS):  # pyright: ignore
                    new_row = own_slot + (k // PAIRS) * PAIRS == k
                    row_word = tl.where(new_row, s if k < PAIRS else y, old[k])
                    rows += (_number(row_word, u) * (sizes[k] * movable),)
                rows += (q,)
                sooner = ()
                for i in tl.static_range(2 * PAIRS + 1):  # pyright: ignore
                    for j in tl.static_range(i + 1):  # pyright: ignore
                        if i >= PAIRS or i == j:
                            sooner += (total[len(sooner)] + rows[i] * rows[j],)
                total = sooner
            tl.store(codes + newest * plane + word, s, mask=there)
            tl.store(codes + (newest + PAIRS) * plane + word, y, mask=there)
    here = sums + tl.program_id(0).to(tl.int64) * (len(total) + 2) * nz + z
    for k in tl.static_range(len(total)):  # pyright: ignore
        tl.store(here + k * nz, total[k], mask=there)
    tl.store(here + len(total) * nz, size, mask=there)
    tl.store(here + (len(total) + 1) * nz, levels, mask=there)


def _words(coded: Coded) -> tuple[Tensor, Tensor]:
    return coded.codes.view(-1).view(torch.int32), coded.scales  # flat: strides of axes of 1 say nothing


@lru_cache
def _places(pairs: int, device: torch.device) -> tuple[Tensor, int]:
    """(rows, rows): the place of each product among the sums, that of none behind them all; how many sums."""
    rows = 2 * pairs + 1
    taken = [(i, j) for i in range(rows) for j in range(i + 1) if i >= pairs or i == j]
    places = torch.full((rows, rows), len(taken), dtype=torch.int64)
    for place, (i, j) in enumerate(taken):
        places[i, j] = places[j, i] = place
    return places.to(device), len(taken)


def products(move: Move, slot: Tensor, change: Coded, pairs: Coded, *, limit: float) -> Products:
    angles, columns, nz = move.before.patterns.shape
    count, blocks = len(pairs.codes), pairs.scales.shape[2]
    places, sums = _places(count // 2, slot.device)
    programs = triton.cdiv(angles * blocks, TURNS)
    found = torch.empty(programs, sums + 2, nz, device=pairs.scales.device, dtype=torch.float32)
    given = [part.contiguous() for part in (*move.tried, *move.before)]
    launch(
        _products, (programs, triton.cdiv(nz, SLICES)), move.accepted.view(torch.uint8), slot, *given, *_words(change),
        *_words(pairs), found,
        angles * blocks, blocks, columns, nz, pairs.codes[0].numel() // 4, pairs.scales[0].numel(), float(limit),
        PAIRS=count // 2, SLICES=SLICES, TURNS=TURNS, WIDTH=BLOCK, num_warps=max(1, SLICES // 32),
    )  # fmt: skip
    total = found.sum(0, dtype=torch.float64)
    gram = torch.cat([total[:-2], torch.zeros_like(total[:1])])[places]
    return Products(gram, total[-2], total[-1])


@triton.jit(do_not_specialize=SIZES)
def _stepped(
    accepted, tried, tried_gradient, x, gradient, codes, scales, factors, step, trial, change, change_scales, sums,
    units, blocks, columns, nz, plane, scale_plane, limit,
    PAIRS: tl.constexpr, SLICES: tl.constexpr, TURNS: tl.constexpr, WIDTH: tl.constexpr,
):  # fmt: skip
    """Walks along the columns as `_products` does; factors (row, slice). A second walk puts the change into codes."""
    plane, scale_plane = plane.to(tl.int64), scale_plane.to(tl.int64)  # ten of them may pass 2^31
    z = tl.program_id(1) * SLICES + tl.arange(0, SLICES)
    there = z < nz
    take = tl.load(accepted + z, mask=there, other=0) != 0
    keep = there & (take == 0)
    length = tl.load(step + z, mask=there, other=0.0)
    by_gradient = tl.load(factors + 2 * PAIRS * nz + z, mask=there, other=0.0)
    total = tl.zeros((SLICES,), tl.float32)
    first = tl.program_id(0) * TURNS
    for turn in range(tl.minimum(TURNS, units - first)):  # pyright: ignore
        unit = (first + turn).to(tl.int64)
        angle, start = unit // blocks, (unit % blocks) * WIDTH
        per = unit * nz + z
        weights = ()
        for k in tl.static_range(2 * PAIRS):  # pyright: ignore
            weight = tl.load(factors + k * nz + z, mask=there, other=0.0)
            weights += (weight * tl.load(scales + k * scale_plane + per, mask=there, other=0.0),)
        fours = (tl.minimum(WIDTH, columns - start) + 3) // 4
        top = tl.zeros((SLICES,), tl.float32)
        for four in range(fours):
            word = (angle * (blocks * WIDTH // 4) + start // 4 + four) * nz + z
            g, level = (), ()
            for u in tl.static_range(4):  # pyright: ignore
                at = (angle * columns + start + 4 * four + u) * nz + z
                held = there & (start + 4 * four + u + 0 * z < columns)
                new, old = held & take, held & (take == 0)
                g += (tl.load(tried_gradient + at, mask=new, other=0.0) + tl.load(gradient + at, mask=old, other=0.0),)
                level += (tl.load(tried + at, mask=new, other=0.0) + tl.load(x + at, mask=old, other=0.0),)
            kept = ()
            for k in tl.static_range(2 * PAIRS):  # pyright: ignore
                kept += (tl.load(codes + k * plane + word, mask=there, other=0),)
            for u in tl.static_range(4):  # pyright: ignore
                at = (angle * columns + start + 4 * four + u) * nz + z
                held = there & (start + 4 * four + u + 0 * z < columns)
                way = by_gradient * g[u]
                for k in tl.static_range(2 * PAIRS):  # pyright: ignore
                    way += _number(kept[k], u) * weights[k]
                to = clip(level[u] - way * free(level[u], g[u], limit) * length, limit)
                moved = to - level[u]
                total += g[u] * moved
                top = tl.maximum(top, tl.abs(moved), propagate_nan=tl.PropagateNan.ALL)
                tl.store(trial + at, to, mask=held)
                tl.store(tried + at, level[u], mask=held & keep)
                tl.store(tried_gradient + at, g[u], mask=held & keep)
        tl.store(change_scales + per, tl.where(top <= 1e-33, 0.0, top / 127.0), mask=there)
        for four in range(fours):
            moved = ()
            for u in tl.static_range(4):  # pyright: ignore
                at = (angle * columns + start + 4 * four + u) * nz + z
                held = there & (start + 4 * four + u + 0 * z < columns)
                moved += (tl.load(trial + at, mask=held, other=0.0) - tl.load(tried + at, mask=held, other=0.0),)
            coded = _word(_code(moved[0], top), _code(moved[1], top), _code(moved[2], top), _code(moved[3], top))
            tl.store(change + (angle * (blocks * WIDTH // 4) + start // 4 + four) * nz + z, coded, mask=there)
    tl.store(sums + tl.program_id(0) * nz + z, total, mask=there)


def stepped(move: Move, pairs: Coded, factors: Tensor, step: Tensor, *, limit: float) -> Stepped:
    angles, columns, nz = move.before.patterns.shape
    blocks = pairs.scales.shape[2]
    given = [part.contiguous() for part in (*move.tried, *move.before)]
    trial = torch.empty_like(given[0])
    change = Coded(torch.zeros_like(pairs.codes[0]), torch.empty_like(pairs.scales[0]))
    programs = triton.cdiv(angles * blocks, TURNS)
    sums = torch.empty(programs, nz, device=pairs.scales.device, dtype=torch.float32)
    small = factors.to(torch.float32), step.to(torch.float32)
    launch(
        _stepped, (programs, triton.cdiv(nz, SLICES)), move.accepted.view(torch.uint8), *given, *_words(pairs), *small,
        trial, *_words(change), sums, angles * blocks, blocks, columns, nz, pairs.codes[0].numel() // 4,
        pairs.scales[0].numel(), float(limit), PAIRS=len(pairs.codes) // 2, SLICES=SLICES, TURNS=TURNS, WIDTH=BLOCK,
        num_warps=max(1, SLICES // 32),
    )  # fmt: skip
    return Stepped(Point(*given[:2]), trial, sums.sum(0, dtype=torch.float64), change)
