"""The gap hinge, its slope and the counts of the figures in one pass over the dose. Plain torch takes twenty."""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.one_pass import AtOnce
from lightlathe.one_pass_triton import BLOCK, launch, offsets, partial_sums, store_tally, tally_of
from lightlathe.quantities import Target


@triton.jit
def _power(x, exponent):
    """x^exponent for x >= 0."""
    return tl.where(x == 0.0, 0.0, tl.exp2(exponent * tl.log2(tl.where(x == 0.0, 1.0, x))))


@triton.jit
def _judge(
    dose, solid, liquid, weight, total, slope, sums, extremes, n, blocks, part_at_least, outside_at_most, exponent,
    SQUARE: tl.constexpr, WEIGHTED: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    at = offsets(BLOCK)
    held = at < n
    d = tl.load(dose + at, mask=held, other=0.0)
    part = tl.load(solid + at, mask=held, other=0).to(tl.float32)
    rest = tl.load(liquid + at, mask=held, other=0).to(tl.float32)
    share = 1.0 / tl.load(total)
    share = share * tl.load(weight + at, mask=held, other=0.0) if WEIGHTED else share
    short = tl.maximum(part_at_least - d, 0.0, propagate_nan=tl.PropagateNan.ALL)
    over = tl.maximum(d - outside_at_most, 0.0, propagate_nan=tl.PropagateNan.ALL)
    amiss = short * part + over * rest
    if SQUARE:
        power, steep = amiss * amiss, 2.0 * amiss
    else:  # with exponent 1 a voxel that is right has slope 0, as in torch.relu
        power = _power(amiss, exponent)
        steep = tl.where(amiss == 0.0, 0.0, exponent * _power(amiss, exponent - 1.0))
    tl.store(slope + at, steep * (rest - part) * share, mask=held)
    tl.store(sums + 4 * blocks + tl.program_id(0), tl.sum(power * share, 0))
    store_tally(d, part, rest, sums, extremes, tl.program_id(0), blocks)


def gap_hinge(dose: Tensor, target: Target, *, part_at_least: float, outside_at_most: float, exponent: float) -> AtOnce:
    """As losses.GapHinge states it, for float32. Bit-equal from run to run. Memory: the slope."""
    n = dose.numel()
    blocks = triton.cdiv(n, BLOCK)
    sums, extremes = partial_sums(5, blocks, dose), partial_sums(2, blocks, dose)
    slope = torch.empty_like(dose, memory_format=torch.contiguous_format)
    masks = target.solid.contiguous().view(torch.uint8), target.liquid.contiguous().view(torch.uint8)
    weight = dose if target.weight is None else target.weight.to(torch.float32).contiguous()
    launch(_judge, (blocks,),
        dose.detach().contiguous(), *masks, weight, target.judged_weight.to(torch.float32), slope, sums, extremes,
        n, blocks, float(part_at_least), float(outside_at_most), float(exponent),
        SQUARE=exponent == 2, WEIGHTED=target.weight is not None, BLOCK=BLOCK,
    )  # fmt: skip
    totals = sums.sum(1, dtype=torch.float64)
    return AtOnce(totals[4].to(dose.dtype), slope, tally_of(totals, extremes))
