"""The counts and extremes behind the logged figures in one pass over the dose. Plain torch takes ten."""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.one_pass_triton import BLOCK, launch, offsets, partial_sums


@triton.jit
def _tally(dose, solid, liquid, sums, extremes, n, blocks, BLOCK: tl.constexpr):
    at = offsets(BLOCK)
    held = at < n
    d = tl.load(dose + at, mask=held, other=0.0)
    part = tl.load(solid + at, mask=held, other=0).to(tl.float32)
    rest = tl.load(liquid + at, mask=held, other=0).to(tl.float32)
    cured, here = tl.where(d >= 1.0, 1.0, 0.0), tl.program_id(0)
    tl.store(sums + here, tl.sum(cured * part, 0))  # counts of a block are exact
    tl.store(sums + blocks + here, tl.sum(cured * rest, 0))
    tl.store(sums + 2 * blocks + here, tl.sum(part, 0))
    tl.store(sums + 3 * blocks + here, tl.sum(rest, 0))
    tl.store(extremes + here, tl.min(tl.where(part != 0.0, d, float("inf")), 0))
    tl.store(extremes + blocks + here, tl.max(tl.where(rest != 0.0, d, float("-inf")), 0))


def tally(dose: Tensor, solid: Tensor, liquid: Tensor) -> tuple[Tensor, ...]:
    """0-d tensors: voxels rightly solid, wrongly solid, of the part, outside it; least dose in it, most outside it.

    A dose of 1 or more is solid. Without a part the least is inf, without an outside the most is -inf.
    """
    n = dose.numel()
    blocks = max(1, triton.cdiv(n, BLOCK))
    sums, extremes = partial_sums(4, blocks, dose), partial_sums(2, blocks, dose)
    masks = solid.contiguous().view(torch.uint8), liquid.contiguous().view(torch.uint8)
    launch(_tally, (blocks,), dose.contiguous(), *masks, sums, extremes, n, blocks, BLOCK=BLOCK)
    return (*sums.sum(1, dtype=torch.float64).unbind(), extremes[0].amin(), extremes[1].amax())
