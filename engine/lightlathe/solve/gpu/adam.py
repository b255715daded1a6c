"""The step of solver adam in one pass; see solve/reference/adam.py."""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.triton_helpers import BLOCK, clip, launch, offsets

TINY = torch.finfo(torch.float32).tiny ** 0.5


@triton.jit
def _step(
    x, gradient, mean, square, scales, trial, new_mean, new_square, n,
    keep_mean, take_mean, keep_square, take_square, tiny, limit, BLOCK: tl.constexpr,
):  # fmt: skip
    at = offsets(BLOCK)
    held = at < n
    g = tl.load(gradient + at, mask=held, other=0.0)
    m = keep_mean * tl.load(mean + at, mask=held, other=0.0) + take_mean * g
    v = keep_square * tl.load(square + at, mask=held, other=0.0) + take_square * (g * g)
    size = tl.sqrt(v * tl.load(scales)) + tiny
    to = clip(tl.load(x + at, mask=held, other=0.0) - m / size * tl.load(scales + 1), limit)
    tl.store(trial + at, to, mask=held)
    tl.store(new_mean + at, m, mask=held)
    tl.store(new_square + at, v, mask=held)


def step(
    x: Tensor,
    gradient: Tensor,
    mean: Tensor,
    square: Tensor,
    scales: Tensor,
    *,
    keeps: tuple[float, float],
    limit: float,
) -> tuple[Tensor, Tensor, Tensor]:
    n = x.numel()
    given = (x.contiguous(), gradient.contiguous(), mean, square, scales.to(torch.float32))
    made = torch.empty_like(given[0]), torch.empty_like(given[0]), torch.empty_like(given[0])
    launch(
        _step,
        (triton.cdiv(n, BLOCK),),
        *given,
        *made,
        n,
        keeps[0],
        1 - keeps[0],
        keeps[1],
        1 - keeps[1],
        TINY,
        float(limit),
        BLOCK=BLOCK,
    )
    return made
