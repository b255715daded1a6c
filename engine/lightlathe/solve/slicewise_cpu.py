"""The sums of solver slicewise_lbfgs on a CPU: compiled loops that read the pairs in 8 bits, in a fixed order.

Each partial sum covers the angles of one piece, whichever thread takes it; along a slice's neighbours the loops run
side by side.
"""

import numpy as np
import torch
from numba import njit
from torch import Tensor

from lightlathe.support.threads import share_out

PIECES = 32  # at most so many partial sums

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc"})


def gram(codes: Tensor, scales: Tensor, gradient: Tensor, x: Tensor, limit: float) -> tuple[Tensor, Tensor, Tensor]:
    """(row, row, slice) inner products of the pairs and the gradient over the free levels, those of the first half of
    the rows with each other but for the diagonal left out; (slice,) sums of the free gradient's moduli, of the levels.
    """
    angles, rows, slices = len(x), len(codes), x.shape[2]
    pieces = min(PIECES, angles)
    sums = (rows + 1) * (rows + 2) // 2
    partial = np.zeros((pieces, sums + 2, slices))
    given = codes.numpy(), scales.numpy(), gradient.contiguous().numpy(), x.contiguous().numpy(), limit
    share_out(lambda first, last: multiply(*given, partial, first, last), pieces, max_items=1)
    found = np.zeros_like(partial[0])
    for one in partial:
        found += one
    low = np.tril_indices(rows + 1)
    made = np.zeros((rows + 1, rows + 1, slices))
    made[low] = found[:-2]
    made[low[1], low[0]] = found[:-2]
    return torch.from_numpy(made), torch.from_numpy(found[-2].copy()), torch.from_numpy(found[-1].copy())


def mixed(codes: Tensor, scales: Tensor, factors: Tensor, gradient: Tensor) -> Tensor:
    """(angle, column, slice): the sum of the pairs and the gradient, times their factors (row, slice)."""
    out = torch.empty_like(gradient, memory_format=torch.contiguous_format)
    given = codes.numpy(), scales.numpy(), factors.to(gradient.dtype).contiguous().numpy()
    angles = len(gradient)
    share_out(
        lambda first, last: mix(*given, gradient.contiguous().numpy(), out.numpy(), first, last), angles, max_items=4
    )
    return out


@fast
def multiply(codes, scales, gradient, x, limit, partial, first, last):
    angles, columns, slices = x.shape
    rows, pieces = len(codes), len(partial)
    half = rows // 2
    seen = np.zeros((rows + 1, slices), x.dtype)
    free = np.zeros(slices, x.dtype)
    for piece in range(first, last):
        total = partial[piece]
        for angle in range(angles * piece // pieces, angles * (piece + 1) // pieces):
            for column in range(columns):
                word, place, block = column // 4, column % 4, column // 128
                size, levels = total[-2], total[-1]
                for z in range(slices):
                    level, slope = x[angle, column, z], gradient[angle, column, z]
                    moves = ((level > 0) or (slope < 0)) and ((level < limit) or (slope > 0))
                    free[z] = 1 if moves else 0
                    seen[rows, z] = slope * free[z]
                    size[z] += abs(slope * free[z])
                    levels[z] += level
                for k in range(rows):
                    for z in range(slices):
                        seen[k, z] = codes[k, angle, word, z, place] * scales[k, angle, block, z] * free[z]
                at = 0
                for i in range(rows + 1):
                    for j in range(i + 1):
                        if i >= half or i == j:
                            here = total[at]
                            for z in range(slices):
                                here[z] += seen[i, z] * seen[j, z]
                        at += 1


@fast
def mix(codes, scales, factors, gradient, out, first, last):
    _, columns, slices = gradient.shape
    rows = len(codes)
    for angle in range(first, last):
        for column in range(columns):
            word, place, block = column // 4, column % 4, column // 128
            here = out[angle, column]
            for z in range(slices):
                here[z] = gradient[angle, column, z] * factors[rows, z]
            for k in range(rows):
                for z in range(slices):
                    here[z] += codes[k, angle, word, z, place] * (scales[k, angle, block, z] * factors[k, z])
