"""The gap hinge and its slope in one pass over the dose. Plain torch takes a dozen."""

import math
from typing import Protocol

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.forms import ValueAndGradient
from lightlathe.gpu.packed import LaidOut
from lightlathe.gpu.packed_triton import ACROSS, DEEP, WARPS, grid_of, lay_out, tile
from lightlathe.gpu.triton_helpers import BLOCK, launch, offsets, partial_sums
from lightlathe.losses.voxels import check
from lightlathe.quantities import Target

MOST_LAID_OUT = 2.0  # exponent


@triton.jit
def _power(x, exponent):
    """x^exponent for x >= 0."""
    return tl.where(x == 0.0, 0.0, tl.exp2(exponent * tl.log2(tl.where(x == 0.0, 1.0, x))))


@triton.jit
def _amiss(d, part, rest, weight, total, at, held, part_at_least, outside_at_most, exponent,
           SQUARE: tl.constexpr, WEIGHTED: tl.constexpr):  # fmt: skip
    """Each voxel's part of the loss, and the slope."""
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
    return power * share, steep * (rest - part) * share


@triton.jit
def _judge(
    dose, solid, liquid, weight, total, slope, sums, n, part_at_least, outside_at_most, exponent,
    SQUARE: tl.constexpr, WEIGHTED: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    at = offsets(BLOCK)
    held = at < n
    d = tl.load(dose + at, mask=held, other=0.0)
    part = tl.load(solid + at, mask=held, other=0).to(tl.float32)
    rest = tl.load(liquid + at, mask=held, other=0).to(tl.float32)
    amiss, steep = _amiss(
        d, part, rest, weight, total, at, held, part_at_least, outside_at_most, exponent, SQUARE, WEIGHTED
    )
    tl.store(slope + at, steep, mask=held)
    tl.store(sums + tl.program_id(0), tl.sum(amiss, 0))


@triton.jit
def _judge_laid_out(
    dose, solid, liquid, weight, total, most, by_x, by_y, sums, nx, ny, nz, circle,
    part_at_least, outside_at_most, exponent,
    SQUARE: tl.constexpr, WEIGHTED: tl.constexpr, ACROSS: tl.constexpr, DEEP: tl.constexpr,
):  # fmt: skip
    x, y, z, exist, wet = tile(nx, ny, nz, circle, ACROSS, DEEP)
    at = (x.to(tl.int64) * ny + y) * nz + z
    d = tl.load(dose + at, mask=wet, other=0.0)  # no light outside the vial, where voxels may be judged all the same
    part = tl.load(solid + at, mask=exist, other=0).to(tl.float32)
    rest = tl.load(liquid + at, mask=exist, other=0).to(tl.float32)
    amiss, steep = _amiss(
        d, part, rest, weight, total, at, exist, part_at_least, outside_at_most, exponent, SQUARE, WEIGHTED
    )
    lay_out(steep, wet, most, by_x, by_y, nx, ny, nz, ACROSS, DEEP)
    here = (tl.program_id(2) * tl.num_programs(1) + tl.program_id(1)) * tl.num_programs(0) + tl.program_id(0)
    tl.store(sums + here, tl.sum(amiss))


class Hinge(Protocol):
    """The doses and the exponent of the loss."""

    @property
    def part_at_least(self) -> float: ...

    @property
    def outside_at_most(self) -> float: ...

    @property
    def exponent(self) -> float: ...


def value_and_gradient(loss: Hinge, dose: Tensor, target: Target, workspace: LaidOut | None) -> ValueAndGradient:
    """As losses.GapHinge states it, for float32. Bit-equal from run to run. Memory: the gradient, without workspace.

    workspace   where to leave the gradient; used for exponents up to 2 alone, as what bounds the steeper ones is too
                far away
    """
    check(dose, target)
    part_at_least, outside_at_most, exponent = loss.part_at_least, loss.outside_at_most, loss.exponent
    masks = target.solid.contiguous().view(torch.uint8), target.liquid.contiguous().view(torch.uint8)
    weight = dose if target.weight is None else target.weight.to(torch.float32).contiguous()
    total = target.judged_weight.to(torch.float32)
    given = dose.detach().contiguous(), *masks, weight, total
    doses = float(part_at_least), float(outside_at_most), float(exponent)
    kind = {"SQUARE": exponent == 2, "WEIGHTED": target.weight is not None}
    if workspace is None or exponent > MOST_LAID_OUT:
        n = dose.numel()
        blocks = triton.cdiv(n, BLOCK)
        sums = partial_sums(1, blocks, dose)
        slope = torch.empty_like(dose, memory_format=torch.contiguous_format)
        launch(_judge, (blocks,), *given, slope, sums, n, *doses, **kind, BLOCK=BLOCK)
    else:
        grid = grid_of(workspace.shape)
        sums = partial_sums(1, math.prod(grid), dose)
        steepest = exponent * max(part_at_least, workspace.dose_at_most - outside_at_most) ** (exponent - 1)
        slope = workspace.filled(steepest * target.heaviest / total)
        launch(
            _judge_laid_out, grid, *given, slope.most, slope.by_x, slope.by_y, sums,
            *slope.shape, slope.circle, *doses, **kind, ACROSS=ACROSS, DEEP=DEEP, num_warps=WARPS,
        )  # fmt: skip
    return ValueAndGradient(sums.sum(dtype=torch.float64).to(dose.dtype), slope)
