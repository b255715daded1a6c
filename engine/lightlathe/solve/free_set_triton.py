"""The passes of solver free_set_ramp with the ramp filter inside them; see free_set_passes.py.

The ramp's taps at even distances are 0 but for 1/4 at 0: the even columns of what it gives are a quarter of the even
columns given, plus a matrix of half the size times the odd ones, and the other way round. So a filter is two products
of half the size, taken on the matrix units where the numbers lie already.

The products take their numbers rounded to 11 bits (tf32) and sum in float32: exactly F_r x_r, F_r the ramp of rounded
taps, x_r the rounded numbers. F_r is symmetric, and positive definite to 2048 columns at least: its least eigenvalue
stays above 0.24 / columns (one_pass_cases.py; with taps of 8 bits it would fall below 0 at 1024). M F_r M x_r points
downhill for x as well as for x_r: by Kantorovich's inequality |<x - x_r, F_r x_r>| stays below <x_r, F_r x_r> while
2^-11 (k^1/2 + k^-1/2) / 2 < 1, k the condition of F_r, which is about 1.4 * columns, far from 1.6e7.
"""

from functools import lru_cache

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.one_pass_triton import clip, flag, free, launch, only, partial_sums, picked
from lightlathe.solve.ramp import taps

OUT, IN, ROWS, WARPS = 128, 32, 64, 8  # columns that a program makes, columns it takes at a time, rows, warps: no spill


@lru_cache(maxsize=8)
def halves(columns: int, device: torch.device) -> Tensor:
    """(2, out, in) taps from odd columns onto even ones and from even onto odd, in whole tiles, rounded to tf32."""
    side = OUT * triton.cdiv((columns + 1) // 2, OUT)
    h = taps(columns, device=device, dtype=torch.float32)
    i = torch.arange(side, device=device)
    table = torch.empty(2, side, side, device=device)
    for parity in (0, 1):
        out, into = 2 * i[:, None] + parity, 2 * i[None, :] + 1 - parity
        there = (out < columns) & (into < columns)
        table[parity] = torch.where(there, h[(out - into + columns - 1).clamp(0, 2 * columns - 2)], 0.0)
    return ((table.view(torch.int32) + 0x1000) & ~0x1FFF).view(torch.float32)


@triton.jit
def _rounded(x):
    """x to the 11 bits that the matrix units take, ties away from 0."""
    bits = x.to(tl.int32, bitcast=True)
    return ((bits + 0x1000) & ~0x1FFF).to(tl.float32, bitcast=True)


@triton.jit
def _bend(new, old, at, held):
    return tl.load(new + at, mask=held, other=0.0) - tl.load(old + at, mask=held, other=0.0)


@triton.jit
def _downhill(x, gradient, limit):
    """The gradient on the levels free to move."""
    return gradient * free(x, gradient, limit)


@triton.jit
def _places(number, angle, columns, rows, OUT: tl.constexpr, ROWS: tl.constexpr, tiles):
    """What a program makes: parity, first column of that parity, offsets of columns and rows, which of them exist."""
    parity = number // tiles
    first = number % tiles * OUT
    column = 2 * (first + tl.arange(0, OUT)) + parity
    row = tl.program_id(1) * ROWS + tl.arange(0, ROWS)
    held = (column < columns)[:, None] & (row < rows)[None, :]
    at = (angle * columns + column).to(tl.int64)[:, None] * rows + row[None, :]
    return parity, first, row, at, held


@triton.jit
def _compared(
    tried, tried_gradient, x, gradient, table, sums, columns, rows, side, tiles, programs,
    OUT: tl.constexpr, IN: tl.constexpr, ROWS: tl.constexpr,
):  # fmt: skip
    angle = tl.program_id(2)
    parity, first, row, at, held = _places(tl.program_id(0), angle, columns, rows, OUT, ROWS, tiles)
    weight = table + (parity * side + first + tl.arange(0, OUT)).to(tl.int64)[:, None] * side
    acc = tl.zeros((OUT, ROWS), tl.float32)
    for k in range(0, side, IN):
        j = k + tl.arange(0, IN)
        column = 2 * j + 1 - parity
        there = (column < columns)[:, None] & (row < rows)[None, :]
        place = (angle * columns + column).to(tl.int64)[:, None] * rows + row[None, :]
        given = _rounded(_bend(tried_gradient, gradient, place, there))
        acc = tl.dot(tl.load(weight + j[None, :]), given, acc, input_precision="tf32")
    old = tl.load(gradient + at, mask=held, other=0.0)
    bend = tl.load(tried_gradient + at, mask=held, other=0.0) - old
    change = tl.load(tried + at, mask=held, other=0.0) - tl.load(x + at, mask=held, other=0.0)
    coarse = _rounded(bend)
    program = (angle * tl.num_programs(1) + tl.program_id(1)) * tl.num_programs(0) + tl.program_id(0)
    tl.store(sums + program, tl.sum(old * change))
    tl.store(sums + programs + program, tl.sum(change * bend))
    tl.store(sums + 2 * programs + program, tl.sum(change * change))
    tl.store(sums + 3 * programs + program, tl.sum(coarse * (acc + 0.25 * coarse)))


@triton.jit
def _stepped(
    tried, x, gradient, table, accepted, first_step, step, trial, taken, sums, limit, columns, rows, side, tiles,
    programs, OPENING: tl.constexpr, OUT: tl.constexpr, IN: tl.constexpr, ROWS: tl.constexpr,
):  # fmt: skip
    """The step; or, OPENING, what the length of a first step hangs on, and nothing where none is asked for."""
    angle, take = tl.program_id(2), flag(accepted)
    wanted = flag(first_step) if OPENING else 1
    parity, first, row, at, held = _places(tl.program_id(0), angle, columns, rows, OUT, ROWS, tiles)
    held = only(held, wanted)
    weight = table + (parity * side + first + tl.arange(0, OUT)).to(tl.int64)[:, None] * side
    acc = tl.zeros((OUT, ROWS), tl.float32)
    for k in range(0, side * wanted, IN):
        j = k + tl.arange(0, IN)
        column = 2 * j + 1 - parity
        there = (column < columns)[:, None] & (row < rows)[None, :]
        place = (angle * columns + column).to(tl.int64)[:, None] * rows + row[None, :]
        level, g = picked(tried, x, place, there, take), tl.load(gradient + place, mask=there, other=0.0)
        given = _rounded(_downhill(level, g, limit))
        acc = tl.dot(tl.load(weight + j[None, :]), given, acc, input_precision="tf32")
    level, g = picked(tried, x, at, held, take), tl.load(gradient + at, mask=held, other=0.0)
    d = (acc + 0.25 * _rounded(_downhill(level, g, limit))) * free(level, g, limit)
    if OPENING:
        program = (angle * tl.num_programs(1) + tl.program_id(1)) * tl.num_programs(0) + tl.program_id(0)
        tl.store(sums + program, tl.sum(tl.abs(level)))
        tl.store(sums + programs + program, tl.sum(tl.where(held, tl.abs(d), 0.0)))
    else:
        tl.store(trial + at, clip(level - tl.load(step) * d, limit), mask=held)
        tl.store(taken + at, level, mask=held)


def _grid(patterns: Tensor) -> tuple[tuple[int, int, int], tuple[int, int, int, int, int]]:
    """Programs, those of one slab of rows side by side; columns, rows, side of the table, tiles of it, programs."""
    angles, columns, rows = patterns.shape
    side = halves(columns, patterns.device).shape[1]
    grid = 2 * (side // OUT), triton.cdiv(rows, ROWS), angles
    return grid, (columns, rows, side, side // OUT, grid[0] * grid[1] * grid[2])


def compared(tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor) -> tuple[Tensor, ...]:
    given = [part.contiguous() for part in (tried, tried_gradient, x, gradient)]
    grid, sizes = _grid(tried)
    sums = partial_sums(4, sizes[-1], tried)
    table = halves(tried.shape[1], tried.device)
    launch(_compared, grid, *given, table, sums, *sizes, OUT=OUT, IN=IN, ROWS=ROWS, num_warps=WARPS)
    return sums.sum(1, dtype=torch.float64).unbind()


def stepped(
    accepted: Tensor, tried: Tensor, x: Tensor, gradient: Tensor, step: Tensor, first: Tensor, *,
    change: float, limit: float,
) -> tuple[Tensor, Tensor, Tensor]:  # fmt: skip
    given = [part.contiguous() for part in (tried, x, gradient)]
    grid, sizes = _grid(tried)
    sums, table = partial_sums(2, sizes[-1], tried), halves(tried.shape[1], tried.device)
    trial, taken = torch.empty_like(given[0]), torch.empty_like(given[0])
    flags = accepted.view(torch.uint8), first.view(torch.uint8)
    settings = {"OUT": OUT, "IN": IN, "ROWS": ROWS, "num_warps": WARPS}

    def go(step: Tensor, opening: bool) -> None:
        made = step.to(torch.float32), trial, taken, sums, float(limit)
        launch(_stepped, grid, *given, table, *flags, *made, *sizes, OPENING=opening, **settings)

    go(step, True)
    levels, length = sums.sum(1, dtype=torch.float64)
    step = torch.where(first, change * levels / length.clamp(min=1e-30), step)
    go(step, False)
    return trial, taken, step
