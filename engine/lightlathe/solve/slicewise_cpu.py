"""The sums of solver slicewise_lbfgs on a CPU: compiled loops that read the pairs in 8 bits, in a fixed order.

Each partial sum covers the angles of one piece, whichever thread takes it. Loops run along the lanes in which the codes
lie: of each slice four columns, one slice after the other. A lane knows nothing of others, so that a slice has the
same sums among any others; within an angle they are in the dtype of the patterns, from angle to angle in float64.
"""

import numpy as np
import torch
from numba import njit
from torch import Tensor

from lightlathe.support.threads import share_out

PIECES = 32  # at most so many partial sums
BLOCK = 128  # columns that share a scale
WORDS = BLOCK // 4
MAX_CODE, TINY = np.float32(127), np.float32(1e-33)  # as in reference/slicewise.py

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})  # sums are in the order written


def gram(codes: Tensor, scales: Tensor, gradient: Tensor, x: Tensor, limit: float) -> tuple[Tensor, Tensor, Tensor]:
    """(row, row, slice) inner products of the pairs and the gradient over the free levels, those of the first half of
    the rows with each other but for the diagonal left out; (slice,) sums of the free gradient's moduli, of the levels.
    """
    angles, rows, slices = len(x), len(codes), x.shape[2]
    pieces = min(PIECES, angles)
    sums = (rows + 1) * (rows + 2) // 2
    partial, levels = np.zeros((pieces, sums + 1, 4 * slices)), np.zeros((pieces, slices))
    given = codes.flatten(-2).numpy(), scales.numpy(), gradient.contiguous().numpy(), x.contiguous().numpy(), limit
    share_out(lambda first, last: multiply(*given, partial, levels, first, last), pieces, max_items=1)
    total, level = np.zeros_like(partial[0]), np.zeros(slices)
    for one, its_levels in zip(partial, levels, strict=True):
        total += one
        level += its_levels
    found = total.reshape(sums + 1, slices, 4).sum(2)
    low = np.tril_indices(rows + 1)
    made = np.zeros((rows + 1, rows + 1, slices))
    made[low] = found[:-1]
    made[low[1], low[0]] = found[:-1]
    return torch.from_numpy(made), torch.from_numpy(found[-1].copy()), torch.from_numpy(level)


def mixed(codes: Tensor, scales: Tensor, factors: Tensor, gradient: Tensor) -> Tensor:
    """(angle, column, slice): the sum of the pairs and the gradient, times their factors (row, slice)."""
    out = torch.empty_like(gradient, memory_format=torch.contiguous_format)
    given = codes.flatten(-2).numpy(), scales.numpy(), factors.to(gradient.dtype).contiguous().numpy()
    angles = len(gradient)
    share_out(
        lambda first, last: mix(*given, gradient.contiguous().numpy(), out.numpy(), first, last), angles, max_items=4
    )
    return out


def encoded(values: Tensor, codes: Tensor, scales: Tensor) -> None:
    """Writes the codes and scales of `values` (angle, column, slice), as reference/slicewise.py lays them out."""
    given = values.contiguous().numpy(), codes.numpy(), scales.numpy()
    share_out(lambda first, last: encode(*given, first, last), len(values), max_items=4)


@fast
def multiply(codes, scales, gradient, x, limit, partial, levels, first, last):
    angles, columns, slices = x.shape
    rows, pieces, lanes = len(codes), len(partial), 4 * slices
    half = rows // 2
    seen, scale = np.zeros((rows + 1, lanes), x.dtype), np.zeros((rows, lanes), x.dtype)
    free = np.zeros(lanes, x.dtype)
    sums = np.zeros(((rows + 1) * (rows + 2) // 2 + 1, lanes), x.dtype)
    slope_at, scale_at, free_at = seen[rows].reshape(slices, 4), scale.reshape(rows, slices, 4), free.reshape(slices, 4)
    size = sums[-1]
    movable, slopes = np.zeros(slices, x.dtype), np.zeros(slices, x.dtype)
    for piece in range(first, last):
        for angle in range(angles * piece // pieces, angles * (piece + 1) // pieces):
            for word in range((columns + 3) // 4):
                if word % WORDS == 0:
                    for k in range(rows):
                        for z in range(slices):
                            scale_at[k, z] = scales[k, angle, word // WORDS, z]
                for place in range(4):
                    column, inside = min(4 * word + place, columns - 1), 4 * word + place < columns
                    for z in range(slices):
                        level, slope = x[angle, column, z], gradient[angle, column, z]
                        moves = ((level > 0) | (slope < 0)) & ((level < limit) | (slope > 0)) & inside
                        movable[z] = 1 if moves else 0
                        slopes[z] = slope if moves else 0
                        levels[piece, z] += level if inside else 0
                    for z in range(slices):
                        free_at[z, place], slope_at[z, place] = movable[z], slopes[z]
                for lane in range(lanes):
                    size[lane] += abs(seen[rows, lane])
                for k in range(rows):
                    for lane in range(lanes):
                        seen[k, lane] = codes[k, angle, word, lane] * scale[k, lane] * free[lane]
                at = 0
                for i in range(rows + 1):
                    for j in range(i + 1):
                        if i >= half or i == j:
                            for lane in range(lanes):
                                sums[at, lane] += seen[i, lane] * seen[j, lane]
                        at += 1
            for at in range(len(sums)):  # in float64 from angle to angle
                for lane in range(lanes):
                    partial[piece, at, lane] += sums[at, lane]
                    sums[at, lane] = 0


@fast
def mix(codes, scales, factors, gradient, out, first, last):
    _, columns, slices = gradient.shape
    rows, lanes = len(codes), 4 * slices
    weight, four = np.zeros((rows, lanes), gradient.dtype), np.zeros(lanes, gradient.dtype)
    weight_at, four_at = weight.reshape(rows, slices, 4), four.reshape(slices, 4)
    for angle in range(first, last):
        for word in range((columns + 3) // 4):
            if word % WORDS == 0:
                for k in range(rows):
                    for z in range(slices):
                        weight_at[k, z] = scales[k, angle, word // WORDS, z] * factors[k, z]
            four[:] = 0
            for k in range(rows):
                for lane in range(lanes):
                    four[lane] += codes[k, angle, word, lane] * weight[k, lane]
            for column in range(4 * word, min(4 * word + 4, columns)):
                place = column - 4 * word
                for z in range(slices):
                    out[angle, column, z] = gradient[angle, column, z] * factors[rows, z] + four_at[z, place]


@fast
def encode(values, codes, scales, first, last):
    _, columns, slices = values.shape
    top, by = np.zeros(slices, np.float32), np.zeros(slices, np.float32)
    for angle in range(first, last):
        for block in range((columns + BLOCK - 1) // BLOCK):
            start, stop = block * BLOCK, min((block + 1) * BLOCK, columns)
            top[:] = 0
            for column in range(start, stop):
                here = values[angle, column]
                for z in range(slices):
                    size = abs(np.float32(here[z]))
                    top[z] = size if (size > top[z]) or (size != size) else top[z]  # what is no number stays
            for z in range(slices):
                none = top[z] <= TINY
                by[z] = 0 if none else MAX_CODE / top[z]
                scales[angle, block, z] = 0 if none else top[z] / MAX_CODE
            for word in range(start // 4, (stop + 3) // 4):
                code = codes[angle, word]
                for place in range(4):
                    column = 4 * word + place
                    if column < columns:
                        here = values[angle, column]
                        for z in range(slices):
                            level = np.rint(np.float32(here[z]) * by[z])
                            code[z, place] = np.int8(level) if level == level else 0
