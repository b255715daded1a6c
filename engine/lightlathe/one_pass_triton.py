"""Pieces that the one-pass functions share."""

from typing import Any

import torch
import triton
import triton.language as tl
from torch import Tensor

BLOCK = 2048  # numbers a program takes


@triton.jit
def offsets(BLOCK: tl.constexpr):
    """Where a program's numbers lie in a flat array; in 64 bits, as arrays may hold more than 2^31."""
    return tl.program_id(0).to(tl.int64) * BLOCK + tl.arange(0, BLOCK)


@triton.jit
def clip(x, limit):
    """x within 0..limit; NaN stays NaN, as in torch."""
    above = tl.maximum(x, 0.0, propagate_nan=tl.PropagateNan.ALL)
    return tl.minimum(above, limit, propagate_nan=tl.PropagateNan.ALL)


@triton.jit
def free(x, g, limit):
    """1 where a small step downhill would not push a level through 0 or the limit, else 0."""
    return tl.where(((x <= 0.0) & (g > 0.0)) | ((x >= limit) & (g < 0.0)), 0.0, 1.0)


@triton.jit
def flag(at):
    """A 0-d bool as 0 or 1."""
    return tl.load(at).to(tl.int32)


@triton.jit
def only(held, wanted):
    """The mask `held`, all of it False where the scalar `wanted` is 0 and not 1."""
    return held.to(tl.int32) * wanted > 0


@triton.jit
def picked(new, old, at, held, take):
    """new[at] where the scalar `take` is 1, old[at] where it is 0; only the one taken is read."""
    return tl.load(new + at, mask=only(held, take), other=0.0) + tl.load(old + at, mask=only(held, 1 - take), other=0.0)


@triton.jit
def store_tally(d, part, rest, sums, extremes, at, blocks):
    """Of doses d, for the figures of a design: column `at` of `sums` (rows 0 to 3) and of `extremes` (rows 0 and 1).

    part, rest   1 where a voxel must turn solid, where it must stay liquid, else 0. Counts of a block are exact.
    """
    cured = tl.where(d >= 1.0, 1.0, 0.0)
    tl.store(sums + at, tl.sum(cured * part, 0))
    tl.store(sums + blocks + at, tl.sum(cured * rest, 0))
    tl.store(sums + 2 * blocks + at, tl.sum(part, 0))
    tl.store(sums + 3 * blocks + at, tl.sum(rest, 0))
    tl.store(extremes + at, tl.min(tl.where(part != 0.0, d, float("inf")), 0))
    tl.store(extremes + blocks + at, tl.max(tl.where(rest != 0.0, d, float("-inf")), 0))


def tally_of(totals: Tensor, extremes: Tensor) -> tuple[Tensor, ...]:
    """The tally of AtOnce from the summed rows of `store_tally`."""
    return (*totals[:4].unbind(), extremes[0].amin(), extremes[1].amax())


def launch(kernel: Any, grid: tuple[int, ...], *arguments: Any, **settings: Any) -> None:
    """Start a kernel; its parameters are Triton's, which checkers of Python's types do not know."""
    kernel[grid](*arguments, **settings)


def partial_sums(rows: int, blocks: int, like: Tensor) -> Tensor:
    """Memory for `rows` sums of each program; add them up by `.sum(1, dtype=torch.float64)`."""
    return torch.empty(rows, blocks, device=like.device, dtype=torch.float32)


@triton.jit
def _keep(better, new, kept, n, BLOCK: tl.constexpr):
    at = offsets(BLOCK)
    wanted = only(at < n, flag(better))
    tl.store(kept + at, tl.load(new + at, mask=wanted), mask=wanted)


def keep_if(better: Tensor, new: Tensor, kept: Tensor) -> Tensor:
    """Overwrites `kept` by `new` where the 0-d bool `better` is true, and returns it; else touches neither."""
    n, kept = kept.numel(), kept.contiguous()
    launch(_keep, (triton.cdiv(n, BLOCK),), better.view(torch.uint8), new.contiguous(), kept, n, BLOCK=BLOCK)
    return kept
