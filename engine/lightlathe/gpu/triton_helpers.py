"""Pieces that the one-pass functions share."""

import os
from typing import Any

import torch
import triton
import triton.language as tl
from torch import Tensor

BLOCK = 1024  # numbers a program takes
KEEPERS = 2048  # programs that copy


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
    """1 for a level between 0 and the limit, or at one of them if a step downhill takes it back inside; else 0."""
    return tl.where(((x > 0.0) | (g < 0.0)) & ((x < limit) | (g > 0.0)), 1.0, 0.0)


@triton.jit
def to_bfloat(x):
    """float32 x rounded to the 8 bits of bfloat16, ties to even, still as float32; NaN stays NaN."""
    bits = x.to(tl.int32, bitcast=True)
    rounded = ((bits + 0x7FFF + ((bits >> 16) & 1)) & -0x10000).to(tl.float32, bitcast=True)
    return tl.where(x == x, rounded, x)


@triton.jit
def bfloat_dot(a, b, acc, WIDEN: tl.constexpr):
    """acc + a b of bfloat16 on the matrix units; WIDEN: in float32, as exact, where an interpreter lacks them."""
    return tl.dot(a.to(tl.float32), b.to(tl.float32), acc, input_precision="ieee") if WIDEN else tl.dot(a, b, acc)


@triton.jit
def flag(at):
    """A 0-d bool as 0 or 1."""
    return tl.load(at).to(tl.int32)


@triton.jit
def only(held, wanted):
    """The mask `held`, all of it False where the scalar `wanted` is 0 and not 1."""
    return held.to(tl.int32) * wanted > 0


def interpreted() -> bool:
    """Whether Triton's functions run in its interpreter, on the CPU."""
    return os.environ.get("TRITON_INTERPRET") == "1"


def launch(kernel: Any, grid: tuple[int, ...], *arguments: Any, **settings: Any) -> None:
    """Start a kernel; its parameters are Triton's, which checkers of Python's types do not know."""
    kernel[grid](*arguments, **settings)


def partial_sums(rows: int, blocks: int, like: Tensor) -> Tensor:
    """Memory for `rows` sums of each program; add them up by `.sum(1, dtype=torch.float64)`."""
    return torch.empty(rows, blocks, device=like.device, dtype=torch.float32)


@triton.jit
def _keep(better, new, kept, n, stride, BLOCK: tl.constexpr):
    for first in range(tl.program_id(0).to(tl.int64) * BLOCK, n * flag(better), stride):
        at = first + tl.arange(0, BLOCK)
        tl.store(kept + at, tl.load(new + at, mask=at < n), mask=at < n)


def keep_if(better: Tensor, new: Tensor, kept: Tensor) -> Tensor:
    """Overwrites `kept` by `new` where the 0-d bool `better` is true, and returns it; else touches neither."""
    n, kept = kept.numel(), kept.contiguous()
    programs = min(KEEPERS, triton.cdiv(n, BLOCK))  # few, as they mostly have nothing to do
    launch(_keep, (programs,), better.view(torch.uint8), new.contiguous(), kept, n, programs * BLOCK, BLOCK=BLOCK)
    return kept
