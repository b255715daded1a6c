"""The two passes of solver accelerated_gradient; see solve/reference/accelerated.py."""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.triton_helpers import BLOCK, clip, keep_if, launch, offsets, partial_sums


@triton.jit
def _turned(y, before, gradient, gradient_before, sums, n, blocks, BLOCK: tl.constexpr):
    at = offsets(BLOCK)
    held = at < n
    to, g = tl.load(y + at, mask=held, other=0.0), tl.load(gradient + at, mask=held, other=0.0)
    change = to - tl.load(before + at, mask=held, other=0.0)
    turn = g - tl.load(gradient_before + at, mask=held, other=0.0)
    here = sums + tl.program_id(0)
    tl.store(here, tl.sum(turn * turn, 0))
    tl.store(here + blocks, tl.sum(change * turn, 0))
    tl.store(here + 2 * blocks, tl.sum(tl.abs(g), 0))
    tl.store(here + 3 * blocks, tl.sum(tl.abs(to), 0))


def turned(y: Tensor, before: Tensor, gradient: Tensor, gradient_before: Tensor) -> tuple[Tensor, ...]:
    n, blocks = y.numel(), triton.cdiv(y.numel(), BLOCK)
    sums = partial_sums(4, blocks, y)
    given = (part.contiguous() for part in (y, before, gradient, gradient_before))
    launch(_turned, (blocks,), *given, sums, n, blocks, BLOCK=BLOCK)
    return sums.sum(1, dtype=torch.float64).unbind()


@triton.jit
def _carried(y, gradient, x, curvature, carry, new, trial, sums, n, limit, BLOCK: tl.constexpr):
    at = offsets(BLOCK)
    held = at < n
    g = tl.load(gradient + at, mask=held, other=0.0)
    to = clip(tl.load(y + at, mask=held, other=0.0) - g / tl.load(curvature), limit)
    step = to - tl.load(x + at, mask=held, other=0.0)
    tl.store(new + at, to, mask=held)
    tl.store(trial + at, clip(to + tl.load(carry) * step, limit), mask=held)
    tl.store(sums + tl.program_id(0), tl.sum(tl.where(held, g * step, 0.0), 0))


def carried(
    y: Tensor, gradient: Tensor, x: Tensor, curvature: Tensor, carry: Tensor, *, limit: float
) -> tuple[Tensor, Tensor, Tensor]:
    """As in reference/accelerated.py; only a change that turns out to point uphill costs one more pass."""
    n, blocks = y.numel(), triton.cdiv(y.numel(), BLOCK)
    sums = partial_sums(1, blocks, y)
    scalars = curvature.to(torch.float32), carry.to(torch.float32)
    given = (y.contiguous(), gradient.contiguous(), x.contiguous(), *scalars)
    new, trial = torch.empty_like(given[0]), torch.empty_like(given[0])
    launch(_carried, (blocks,), *given, new, trial, sums, n, float(limit), BLOCK=BLOCK)
    uphill = sums.sum(dtype=torch.float64) > 0
    return new, keep_if(uphill, new, trial), uphill
