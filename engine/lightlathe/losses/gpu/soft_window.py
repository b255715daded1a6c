"""The softened window in two passes over the dose: one for its value, one for its slope. Plain torch takes a dozen."""

from typing import Protocol

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.forms import ValueAndGradient
from lightlathe.gpu.packed import LaidOut
from lightlathe.gpu.packed_triton import ACROSS, DEEP, WARPS, grid_of, lay_out, tile
from lightlathe.gpu.triton_helpers import launch, partial_sums
from lightlathe.losses.voxels import check
from lightlathe.quantities import Target

# voxels that a program takes at a time, some columns, some slices; how many times for the value
TILE, TURNS = 1024, 32
NOTHING = tl.constexpr(-1e30)  # exponent of a voxel that is not judged


@triton.jit
def _voxels(dose, solid, liquid, weight, at, held, k, WEIGHTED: tl.constexpr):
    """Of the voxels `at`, where `held`: classes and exponents."""
    d = tl.load(dose + at, mask=held, other=0.0)
    part = tl.load(solid + at, mask=held, other=0).to(tl.int32)
    rest = tl.load(liquid + at, mask=held, other=0).to(tl.int32)
    exponent = (d - 1.0) * (rest - part).to(tl.float32) * k
    if WEIGHTED:
        exponent += tl.log(tl.load(weight + at, mask=held, other=1.0))
    exponent = tl.where(part + rest > 0, exponent, NOTHING)
    return part, rest, exponent


@triton.jit
def _value(
    dose, solid, liquid, weight, highest, totals, columns, nz, k,
    WEIGHTED: tl.constexpr, ROWS: tl.constexpr, DEEP: tl.constexpr, TURNS: tl.constexpr,
):  # fmt: skip
    """Of each slice of some tiles the highest exponent and the sum of exp(exponent - highest).

    Every thread keeps what it saw of its own places in a tile, one after the other, and they meet at the end.
    """
    z = tl.program_id(1) * DEEP + tl.arange(0, DEEP)
    top, total = tl.full((ROWS, DEEP), NOTHING, tl.float32), tl.zeros((ROWS, DEEP), tl.float32)
    for turn in range(TURNS):
        row = (tl.program_id(0) * TURNS + turn) * ROWS + tl.arange(0, ROWS)
        at, held = row.to(tl.int64)[:, None] * nz + z[None, :], (row < columns)[:, None] & (z < nz)[None, :]
        _, _, exponent = _voxels(dose, solid, liquid, weight, at, held, k, WEIGHTED)
        higher = exponent > top
        lower_part = tl.exp(-tl.abs(exponent - top))
        total = tl.where(higher, total * lower_part + 1.0, total + lower_part)
        top = tl.where(higher, exponent, top)
    highest_here = tl.max(top, 0)
    weighed = tl.where(top == NOTHING, 0.0, tl.exp(top - highest_here[None, :]))  # pyright: ignore
    total *= weighed  # what is not a number stays so, times 0 too
    out = tl.program_id(0).to(tl.int64) * nz + z
    tl.store(highest + out, highest_here, mask=z < nz)
    tl.store(totals + out, tl.sum(total, 0), mask=z < nz)


@triton.jit
def _slope(
    dose, solid, liquid, weight, level, part_of_value, slope, columns, nz, k,
    WEIGHTED: tl.constexpr, ROWS: tl.constexpr, DEEP: tl.constexpr,
):  # fmt: skip
    row = tl.program_id(0) * ROWS + tl.arange(0, ROWS)[:, None]
    z = tl.program_id(1) * DEEP + tl.arange(0, DEEP)[None, :]
    at, held = row.to(tl.int64) * nz + z, (row < columns) & (z < nz)
    part, rest, exponent = _voxels(dose, solid, liquid, weight, at, held, k, WEIGHTED)
    tl.store(slope + at, _steepness(part, rest, exponent, level, part_of_value, z, nz), mask=held)


@triton.jit
def _steepness(part, rest, exponent, level, part_of_value, z, nz):
    share = tl.exp(exponent - tl.load(level + z, mask=z < nz, other=0.0))
    return share * tl.load(part_of_value + z, mask=z < nz, other=0.0) * (rest - part).to(tl.float32)


@triton.jit
def _slope_laid_out(
    dose, solid, liquid, weight, level, part_of_value, most, by_x, by_y, nx, ny, nz, circle, k,
    WEIGHTED: tl.constexpr, ACROSS: tl.constexpr, DEEP: tl.constexpr,
):  # fmt: skip
    x, y, z, _, wet = tile(nx, ny, nz, circle, ACROSS, DEEP)
    at = (x.to(tl.int64) * ny + y) * nz + z
    part, rest, exponent = _voxels(dose, solid, liquid, weight, at, wet, k, WEIGHTED)
    slope = _steepness(part, rest, exponent, level, part_of_value, z, nz)
    lay_out(slope, wet, most, by_x, by_y, nx, ny, nz, ACROSS, DEEP)


class Window(Protocol):
    """sharpness   k of the loss;  joined_with_gradient   (slice,) values -> the loss, and its derivative by each."""

    @property
    def sharpness(self) -> float: ...

    def joined_with_gradient(self, worst: Tensor, /) -> tuple[Tensor, Tensor]: ...


def value_and_gradient(loss: Window, dose: Tensor, target: Target, workspace: LaidOut | None) -> ValueAndGradient:
    """As losses.SoftWindow states it, for float32. Bit-equal from run to run. Memory: the gradient, without workspace.

    workspace   where to leave the gradient, if anywhere
    """
    check(dose, target)
    k, nz = float(loss.sharpness), dose.shape[2]
    columns = dose.shape[0] * dose.shape[1]
    deep = min(64, triton.next_power_of_2(nz))
    tiles = {"ROWS": TILE // deep, "DEEP": deep, "WEIGHTED": target.weight is not None}
    grid = triton.cdiv(columns, tiles["ROWS"]), triton.cdiv(nz, deep)
    blocks = triton.cdiv(grid[0], TURNS)
    highest, totals = partial_sums(blocks, nz, dose), partial_sums(blocks, nz, dose)
    weight = dose if target.weight is None else target.weight.to(torch.float32).contiguous()
    given = (
        dose.detach().contiguous(), target.solid.contiguous().view(torch.uint8),
        target.liquid.contiguous().view(torch.uint8), weight,
    )  # fmt: skip
    launch(_value, (blocks, grid[1]), *given, highest, totals, columns, nz, k, TURNS=TURNS, **tiles)
    top = highest.amax(0).clamp(min=-k).double()  # exp(-k) is the floor of every slice
    total = (totals * torch.exp(highest - top)).sum(0) + torch.exp(-k - top)
    level = top + total.log()
    value, part_of_value = loss.joined_with_gradient(level / k)
    shares = level.to(torch.float32), part_of_value.to(torch.float32)
    if workspace is None:
        slope = torch.empty_like(dose, memory_format=torch.contiguous_format)
        launch(_slope, grid, *given, *shares, slope, columns, nz, k, **tiles)
    else:  # no voxel's exponent is above its slice's highest
        slope = workspace.filled((torch.exp(top - level) * part_of_value).amax())
        launch(
            _slope_laid_out, grid_of(slope.shape), *given, *shares, slope.most, slope.by_x, slope.by_y,
            *slope.shape, slope.circle, k, WEIGHTED=tiles["WEIGHTED"], ACROSS=ACROSS, DEEP=DEEP, num_warps=WARPS,
        )  # fmt: skip
    return ValueAndGradient(value.to(dose.dtype), slope)
