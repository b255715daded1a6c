"""The counts and extremes behind the logged figures in one pass over the dose. Plain torch takes ten."""

import torch
import triton
import triton.language as tl
from torch import Tensor

from lightlathe.gpu.triton_helpers import launch, partial_sums

TILE, TURNS = 1024, 32  # voxels that a program takes at a time; how many times


@triton.jit
def _tally(dose, solid, liquid, found, columns, nz, plane, ROWS: tl.constexpr, DEEP: tl.constexpr, TURNS: tl.constexpr):
    """Six numbers of each slice of some tiles; `plane` numbers of one kind lie together."""
    z = tl.program_id(1) * DEEP + tl.arange(0, DEEP)
    correct, over = tl.zeros((ROWS, DEEP), tl.float32), tl.zeros((ROWS, DEEP), tl.float32)
    inside, outside = tl.zeros((ROWS, DEEP), tl.float32), tl.zeros((ROWS, DEEP), tl.float32)
    least, most = tl.full((ROWS, DEEP), float("inf"), tl.float32), tl.full((ROWS, DEEP), float("-inf"), tl.float32)
    for turn in range(TURNS):
        row = (tl.program_id(0) * TURNS + turn) * ROWS + tl.arange(0, ROWS)
        at, held = row.to(tl.int64)[:, None] * nz + z[None, :], (row < columns)[:, None] & (z < nz)[None, :]
        d = tl.load(dose + at, mask=held, other=0.0)
        part = tl.load(solid + at, mask=held, other=0).to(tl.float32)
        rest = tl.load(liquid + at, mask=held, other=0).to(tl.float32)
        cured = tl.where(d >= 1.0, 1.0, 0.0)
        correct += cured * part
        over += cured * rest
        inside += part
        outside += rest
        least = tl.minimum(least, tl.where(part != 0.0, d, float("inf")), propagate_nan=tl.PropagateNan.ALL)
        most = tl.maximum(most, tl.where(rest != 0.0, d, float("-inf")), propagate_nan=tl.PropagateNan.ALL)
    out, there = found + tl.program_id(0).to(tl.int64) * nz + z, z < nz
    tl.store(out, tl.sum(correct, 0), mask=there)  # counts of a program are exact
    tl.store(out + plane, tl.sum(over, 0), mask=there)
    tl.store(out + 2 * plane, tl.sum(inside, 0), mask=there)
    tl.store(out + 3 * plane, tl.sum(outside, 0), mask=there)
    tl.store(out + 4 * plane, tl.min(least, 0), mask=there)
    tl.store(out + 5 * plane, tl.max(most, 0), mask=there)


def tally(dose: Tensor, solid: Tensor, liquid: Tensor) -> tuple[Tensor, ...]:
    """(slice,) each: voxels rightly solid, wrongly solid, of the part, outside it; least dose in it, most outside it.

    A dose of 1 or more is solid. Without a part the least is inf, without an outside the most is -inf.
    """
    columns, nz = dose.shape[0] * dose.shape[1], dose.shape[2]
    deep = min(64, triton.next_power_of_2(nz))
    rows = TILE // deep
    grid = triton.cdiv(columns, rows * TURNS), triton.cdiv(nz, deep)
    found = partial_sums(6 * grid[0], nz, dose).reshape(6, grid[0], nz)
    masks = solid.contiguous().view(torch.uint8), liquid.contiguous().view(torch.uint8)
    launch(
        _tally, grid, dose.contiguous(), *masks, found, columns, nz, grid[0] * nz, ROWS=rows, DEEP=deep, TURNS=TURNS
    )  # fmt: skip
    counts = found[:4].sum(1, dtype=torch.float64)
    return (*counts.unbind(), found[4].amin(0), found[5].amax(0))
