"""The counts and extremes behind the logged figures in one pass over the dose on a card. Plain torch takes ten."""

import math

import torch
import triton
import triton.language as tl
from torch import Tensor

BLOCK = 2048


@triton.jit
def _tally(dose, solid, liquid, counts, extremes, n, BLOCK: tl.constexpr):
    program = tl.program_id(0)
    at = program.to(tl.int64) * BLOCK + tl.arange(0, BLOCK)
    held = at < n
    d = tl.load(dose + at, mask=held, other=0.0)
    part = tl.load(solid + at, mask=held, other=0).to(tl.int32)
    rest = tl.load(liquid + at, mask=held, other=0).to(tl.int32)
    cured = (d >= 1.0).to(tl.int32)
    tl.store(counts + 4 * program, tl.sum(cured * part, 0))
    tl.store(counts + 4 * program + 1, tl.sum(cured * rest, 0))
    tl.store(counts + 4 * program + 2, tl.sum(part, 0))
    tl.store(counts + 4 * program + 3, tl.sum(rest, 0))
    tl.store(extremes + 2 * program, tl.min(tl.where(part != 0, d, float("inf")), 0))
    tl.store(extremes + 2 * program + 1, tl.max(tl.where(rest != 0, d, float("-inf")), 0))


def tally(dose: Tensor, solid: Tensor, liquid: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor, Tensor]:
    """0-d tensors: voxels rightly solid, wrongly solid, of the part, outside it; least dose in it, most outside it.

    A dose of 1 or more is solid. Without a part the least is inf, without an outside the most is -inf.
    """
    n = dose.numel()
    blocks = max(1, math.ceil(n / BLOCK))
    counts = torch.empty(blocks, 4, device=dose.device, dtype=torch.int32)
    extremes = torch.empty(blocks, 2, device=dose.device, dtype=torch.float32)
    masks = solid.contiguous().view(torch.uint8), liquid.contiguous().view(torch.uint8)
    _tally[(blocks,)](dose.contiguous(), *masks, counts, extremes, n, BLOCK=BLOCK)  # pyright: ignore
    correct, over, part, rest = counts.sum(0, dtype=torch.int64)
    return correct, over, part, rest, extremes[:, 0].amin(), extremes[:, 1].amax()
