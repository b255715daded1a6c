"""The gap hinge on a card in two passes over the dose: one for the value, one for the slope. Plain torch takes ten."""

import torch
import triton
import triton.language as tl
from torch import Tensor
from torch.autograd.function import once_differentiable

BLOCK = 2048


@triton.jit
def _amiss(dose, solid, liquid, at, held, part_at_least, outside_at_most):
    """Shortfall in the part or excess outside it, and which of the two: 1 outside, -1 in the part, 0 if not judged."""
    d = tl.load(dose + at, mask=held, other=0.0)
    s = tl.load(solid + at, mask=held, other=0).to(tl.float32)
    v = tl.load(liquid + at, mask=held, other=0).to(tl.float32)
    short = tl.maximum(part_at_least - d, 0.0, propagate_nan=tl.PropagateNan.ALL)
    over = tl.maximum(d - outside_at_most, 0.0, propagate_nan=tl.PropagateNan.ALL)
    return short * s + over * v, v - s


@triton.jit
def _power(x, exponent, SQUARE: tl.constexpr):
    """x^exponent for x >= 0; SQUARE for 2."""
    return x * x if SQUARE else tl.where(x == 0.0, 0.0, tl.exp2(exponent * tl.log2(tl.where(x == 0.0, 1.0, x))))


@triton.jit
def _value(
    dose, solid, liquid, sums, counts, n, part_at_least, outside_at_most, exponent,
    SQUARE: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    at = tl.program_id(0).to(tl.int64) * BLOCK + tl.arange(0, BLOCK)
    amiss, side = _amiss(dose, solid, liquid, at, at < n, part_at_least, outside_at_most)
    tl.store(sums + tl.program_id(0), tl.sum(_power(amiss, exponent, SQUARE), 0))
    tl.store(counts + tl.program_id(0), tl.sum(tl.abs(side), 0))


@triton.jit
def _slope(
    dose, solid, liquid, factor, slope, n, part_at_least, outside_at_most, exponent,
    SQUARE: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    at = tl.program_id(0).to(tl.int64) * BLOCK + tl.arange(0, BLOCK)
    amiss, side = _amiss(dose, solid, liquid, at, at < n, part_at_least, outside_at_most)
    if SQUARE:
        steep = 2.0 * amiss
    else:  # with exponent 1 a voxel that is right has slope 0, as in torch.relu
        log = tl.log2(tl.where(amiss == 0.0, 1.0, amiss))
        steep = tl.where(amiss == 0.0, 0.0, exponent * tl.exp2((exponent - 1.0) * log))
    tl.store(slope + at, steep * side * tl.load(factor), mask=at < n)


class _GapHinge(torch.autograd.Function):
    @staticmethod
    def forward(
        ctx, dose: Tensor, solid: Tensor, liquid: Tensor, part_at_least: float, outside_at_most: float, p: float
    ):
        n = dose.numel()
        blocks = triton.cdiv(n, BLOCK)
        sums, counts = torch.empty(2, blocks, device=dose.device, dtype=torch.float32)
        tensors = (
            dose.detach().contiguous(),
            solid.contiguous().view(torch.uint8),
            liquid.contiguous().view(torch.uint8),
        )
        numbers = part_at_least, outside_at_most, p
        _value[(blocks,)](*tensors, sums, counts, n, *numbers, SQUARE=p == 2, BLOCK=BLOCK)  # pyright: ignore
        count = counts.sum(dtype=torch.float64)
        ctx.save_for_backward(*tensors, count)
        ctx.numbers = numbers
        return (sums.sum(dtype=torch.float64) / count).to(dose.dtype)

    @staticmethod
    @once_differentiable
    def backward(ctx, *grads: Tensor):
        dose, solid, liquid, count = ctx.saved_tensors
        slope = torch.empty_like(dose)
        factor = (grads[0].double() / count).to(torch.float32)
        n, square = dose.numel(), ctx.numbers[2] == 2
        launch = _slope[(triton.cdiv(n, BLOCK),)]
        launch(dose, solid, liquid, factor, slope, n, *ctx.numbers, SQUARE=square, BLOCK=BLOCK)  # pyright: ignore
        return slope, None, None, None, None, None


def gap_hinge(
    dose: Tensor, solid: Tensor, liquid: Tensor, *, part_at_least: float, outside_at_most: float, exponent: float
) -> Tensor:
    """Mean over judged voxels as losses.GapHinge states it, for float32 doses on a card and voxels of equal weight.

    solid, liquid   (x, y, z) bool, disjoint
    Gradient        once; bit-equal from run to run. Memory: the slope, nothing else the size of the dose.
    """
    return _GapHinge.apply(dose, solid, liquid, float(part_at_least), float(outside_at_most), float(exponent))
