"""The passes of solver free_set_ramp with the ramp filter inside them; see solve/reference/free_set.py.

The ramp's taps at even distances are 0 but for 1/4 at 0: the even columns of what it gives are a quarter of the even
columns given, plus a matrix of half the size times the odd ones, and the other way round. So a filter is two products
of half the size, taken on the matrix units where the numbers lie already.

`looked` leaves M gradient rounded to 8 bits (bfloat16), which `stepped` takes: half the bytes, and what the matrix
units take as it lies. The taps are rounded to 8 bits too, and the products summed in float32: F_r x_r, F_r the ramp of
rounded taps with SPARE added to its middle one. Taps are off by at most 2^-8 of themselves, and those at odd distances
sum to 1/4, so that F_r - F is a symmetric matrix whose eigenvalues lie between 0 and 2^-9: F_r is positive definite
for any number of columns, as F is. M F_r M x_r points downhill for x as well as for x_r: by Kantorovich's inequality
|<x - x_r, F_r x_r>| stays below <x_r, F_r x_r> while 2^-8 (k^1/2 + k^-1/2) / 2 < 1, k the condition of F_r, which is
below 1.4 * columns, far from 2.6e5.
"""

from functools import lru_cache

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.triton_helpers import (
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
from lightlathe.solve.ramp import taps

# columns made, columns taken at a time, rows, warps, loads ahead, registers of a thread (so that three programs fit)
OUT, IN, ROWS, WARPS, STAGES, REGISTERS = 128, 64, 32, 4, 3, 168
SPARE = 2.0**-10


@lru_cache(maxsize=8)
def halves(columns: int, device: torch.device) -> Tensor:
    """(2, out, in) taps from odd columns onto even ones and from even onto odd, in whole tiles, bfloat16."""
    tile = max(OUT, IN)
    side = tile * triton.cdiv((columns + 1) // 2, tile)
    h = taps(columns, device=device, dtype=torch.float32)
    i = torch.arange(side, device=device)
    table = torch.empty(2, side, side, device=device, dtype=torch.bfloat16)
    for parity in (0, 1):
        out, into = 2 * i[:, None] + parity, 2 * i[None, :] + 1 - parity
        there = (out < columns) & (into < columns)
        table[parity] = torch.where(there, h[(out - into + columns - 1).clamp(0, 2 * columns - 2)], 0.0)
    return table


@triton.jit
def _looked(accepted, tried, x, gradient, loose, sums, n, limit, BLOCK: tl.constexpr):
    take = flag(accepted)
    at = offsets(BLOCK)
    held = at < n
    to, old = tl.load(tried + at, mask=held, other=0.0), tl.load(x + at, mask=held, other=0.0)
    g = tl.load(gradient + at, mask=held, other=0.0)
    movable = free(tl.where(take > 0, to, old), g, limit)
    tl.store(loose + at, to_bfloat(g * movable).to(tl.bfloat16), mask=held)
    tl.store(sums + tl.program_id(0), tl.sum(g * (to - old), 0))


def looked(accepted: Tensor, tried: Tensor, x: Tensor, gradient: Tensor, *, limit: float) -> tuple[Tensor, Tensor]:
    n, blocks = x.numel(), triton.cdiv(x.numel(), BLOCK)
    sums, given = partial_sums(1, blocks, x), [part.contiguous() for part in (tried, x, gradient)]
    loose = torch.empty_like(given[2], dtype=torch.bfloat16)
    launch(_looked, (blocks,), accepted.view(torch.uint8), *given, loose, sums, n, float(limit), BLOCK=BLOCK)
    return sums.sum(dtype=torch.float64), loose


@triton.jit
def _stepped(
    x, loose, table, first_step, step, trial, sums, limit, columns, rows, side, tiles, programs, middle,
    OPENING: tl.constexpr, WIDEN: tl.constexpr, OUT: tl.constexpr, IN: tl.constexpr, ROWS: tl.constexpr,
):  # fmt: skip
    """The step; or, OPENING, what the length of a first step depends on, and nothing where none is asked for.

    A program makes columns of one parity, `first` the first of them; its numbers lie `at`, where they are `held`.
    """
    wanted = flag(first_step) if OPENING else 1
    angle = tl.program_id(2).to(tl.int64) * columns * rows  # where its pattern begins; offsets in it fit 32 bits
    parity, first = tl.program_id(0) // tiles, tl.program_id(0) % tiles * OUT
    row = tl.program_id(1) * ROWS + tl.arange(0, ROWS)
    weight = table + (parity * side + first + tl.arange(0, OUT))[:, None] * side
    acc = tl.zeros((OUT, ROWS), tl.float32)
    for k in range(0, side * wanted, IN):
        j = k + tl.arange(0, IN)
        column = 2 * j + 1 - parity
        there = (column < columns)[:, None] & (row < rows)[None, :]
        given = tl.load(loose + angle + column[:, None] * rows + row[None, :], mask=there, other=0.0)
        acc = bfloat_dot(tl.load(weight + j[None, :]), given, acc, WIDEN)
    column = 2 * (first + tl.arange(0, OUT)) + parity
    held = only((column < columns)[:, None] & (row < rows)[None, :], wanted)
    at = column[:, None] * rows + row[None, :]
    level = tl.load(x + angle + at, mask=held, other=0.0)
    own = tl.load(loose + angle + at, mask=held, other=0.0).to(tl.float32)
    d = (acc + middle * own) * free(level, own, limit)
    program = (tl.program_id(2) * tl.num_programs(1) + tl.program_id(1)) * tl.num_programs(0) + tl.program_id(0)
    if OPENING:
        tl.store(sums + program, tl.sum(tl.abs(level)))
        tl.store(sums + programs + program, tl.sum(tl.where(held, tl.abs(d), 0.0)))
    else:
        to = clip(level - tl.load(step) * d, limit)
        tl.store(trial + angle + at, to, mask=held)
        tl.store(sums + program, tl.sum(own * (to - level)))


def stepped(
    x: Tensor, loose: Tensor, step: Tensor, first: Tensor, *, change: float, limit: float
) -> tuple[Tensor, Tensor, Tensor]:
    given = [part.contiguous() for part in (x, loose)]
    angles, columns, rows = x.shape
    table = halves(columns, x.device)
    side = table.shape[1]
    grid = 2 * (side // OUT), triton.cdiv(rows, ROWS), angles
    programs = grid[0] * grid[1] * grid[2]
    trial, wanted = torch.empty_like(given[0]), first.view(torch.uint8)
    tile = {"OUT": OUT, "IN": IN, "ROWS": ROWS, "num_warps": WARPS, "num_stages": STAGES, "maxnreg": REGISTERS}

    def go(step: Tensor, opening: bool) -> Tensor:
        sums = partial_sums(2 if opening else 1, programs, x)
        made = step.to(torch.float32), trial, sums, float(limit)
        sizes = columns, rows, side, side // OUT, programs, 0.25 + SPARE
        launch(_stepped, grid, *given, table, wanted, *made, *sizes, OPENING=opening, WIDEN=interpreted(), **tile)
        return sums.sum(1, dtype=torch.float64)

    levels, length = go(step, True)
    step = torch.where(first, torch.where(length > 0, change * levels / length, 0.0), step)
    return trial, step, go(step, False)[0]
