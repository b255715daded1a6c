"""The products of solver bounded_lbfgs on a CPU: compiled loops that read the pairs in 8 bits, in a fixed order.

Each partial sum covers PIECE blocks of 128 numbers, whichever thread takes them.
"""

import numpy as np
import torch
from numba import njit
from torch import Tensor

from lightlathe.solve.eight_bits import BLOCK
from lightlathe.support.threads import share_out

PIECE = 64  # blocks of 128 numbers that one partial sum covers
PIECES_PER_CHUNK = 16  # pieces that a thread takes at a time

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc"})


def gram(pairs: Tensor, scales: Tensor, gradient: Tensor, movable: Tensor) -> tuple[Tensor, Tensor]:
    """Inner products of the rows of `pairs` and the gradient over the movable levels, and the sum of its moduli.

    (2 pairs + 1, 2 pairs + 1) and 0-d, float64; of the first half of the rows with each other the diagonal alone.
    """
    blocks, rows = scales.shape
    pieces = -(-blocks // PIECE)
    partial, size = np.zeros((pieces, rows + 1, rows + 1)), np.zeros(pieces)
    given = pairs.numpy(), scales.numpy(), _flat(gradient), _flat(movable)
    share_out(lambda first, last: multiply(*given, partial, size, first, last), pieces, max_items=PIECES_PER_CHUNK)
    found, length = np.zeros_like(partial[0]), 0.0
    for one, its_size in zip(partial, size.tolist(), strict=True):
        found += one
        length += its_size
    found += np.tril(found, -1).T
    return torch.from_numpy(found), torch.tensor(length, dtype=torch.float64)


def mixed(weights: Tensor, pairs: Tensor) -> Tensor:
    """(blocks, 128) in the dtype of weights (blocks, rows): the sum of each block's rows, times their weights."""
    blocks = len(weights)
    out = np.empty((blocks, BLOCK), weights.numpy().dtype)
    given = weights.contiguous().numpy(), pairs.numpy()
    share_out(lambda first, last: mix(*given, out, first, last), blocks, max_items=PIECES_PER_CHUNK * PIECE)
    return torch.from_numpy(out)


def _flat(x: Tensor) -> np.ndarray:
    return x.contiguous().numpy().reshape(-1)


@fast
def multiply(pairs, scales, gradient, movable, partial, size, first, last):
    blocks, rows, width = pairs.shape
    seen, zero = np.zeros((rows + 1, width), gradient.dtype), np.zeros(1, gradient.dtype)[0]
    for piece in range(first, last):
        for block in range(piece * PIECE, min((piece + 1) * PIECE, blocks)):
            slope, free = gradient[block * width : (block + 1) * width], movable[block * width : (block + 1) * width]
            seen[:, len(slope) :] = 0
            for k in range(len(slope)):
                seen[rows, k] = slope[k] if free[k] else 0
            for row in range(rows):
                codes, scale = pairs[block, row], zero + scales[block, row]  # in the dtype of the gradient
                for k in range(len(slope)):
                    seen[row, k] = codes[k] * scale if free[k] else 0
            for i in range(rows + 1):
                for j in range(i if i < rows // 2 else 0, i + 1):
                    product, one, other = zero, seen[i], seen[j]
                    for k in range(width):
                        product += one[k] * other[k]
                    partial[piece, i, j] += product
            length, slope = zero, seen[rows]
            for k in range(width):
                length += abs(slope[k])
            size[piece] += length


@fast
def mix(weights, pairs, out, first, last):
    for block in range(first, last):
        for k in range(pairs.shape[2]):
            out[block, k] = weights[block, 0] * pairs[block, 0, k]
        for row in range(1, pairs.shape[1]):
            for k in range(pairs.shape[2]):
                out[block, k] += weights[block, row] * pairs[block, row, k]
