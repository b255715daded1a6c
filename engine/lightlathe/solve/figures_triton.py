"""The counts and extremes behind the logged figures in one pass over the dose. Plain torch takes ten."""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.one_pass_triton import BLOCK, launch, offsets, partial_sums, store_tally, tally_of


@triton.jit
def _tally(dose, solid, liquid, sums, extremes, n, blocks, BLOCK: tl.constexpr):
    at = offsets(BLOCK)
    held = at < n
    d = tl.load(dose + at, mask=held, other=0.0)
    part = tl.load(solid + at, mask=held, other=0).to(tl.float32)
    rest = tl.load(liquid + at, mask=held, other=0).to(tl.float32)
    store_tally(d, part, rest, sums, extremes, tl.program_id(0), blocks)


def tally(dose: Tensor, solid: Tensor, liquid: Tensor) -> tuple[Tensor, ...]:
    """0-d tensors: voxels rightly solid, wrongly solid, of the part, outside it; least dose in it, most outside it.

    A dose of 1 or more is solid. Without a part the least is inf, without an outside the most is -inf.
    """
    n = dose.numel()
    blocks = max(1, triton.cdiv(n, BLOCK))
    sums, extremes = partial_sums(4, blocks, dose), partial_sums(2, blocks, dose)
    masks = solid.contiguous().view(torch.uint8), liquid.contiguous().view(torch.uint8)
    launch(_tally, (blocks,), dose.contiguous(), *masks, sums, extremes, n, blocks, BLOCK=BLOCK)
    return tally_of(sums.sum(1, dtype=torch.float64), extremes)
