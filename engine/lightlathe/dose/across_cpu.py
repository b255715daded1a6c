"""Sparse maps along the column axis on the CPU, compiled: rows are contiguous, so each tap adds whole rows."""

import numpy as np
import torch
from numba import njit
from torch import Tensor

from lightlathe.support.threads import share_out

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})


def apply(index: Tensor, weight: Tensor, x: Tensor) -> Tensor:
    """out[.., i, :] = sum over k of weight[k, i] * x[.., index[k, i], :]; index and weight (tap, out)."""
    columns, rows = x.shape[-2:]
    out = torch.empty(*x.shape[:-2], index.shape[1], rows, dtype=x.dtype)
    given = x.detach().contiguous().numpy().reshape(-1, columns, rows)
    made = out.numpy().reshape(-1, index.shape[1], rows)
    numbers, weights = index.numpy().astype(np.uint32), weight.numpy()
    share_out(lambda first, last: across(given, made, numbers, weights, first, last), len(given), max_items=64)
    return out


@fast
def across(x, out, index, weight, first, last):
    """Images first to last of x (image, in, row) -> out (image, out, row). The index is unsigned."""
    for image in range(first, last):
        for i in range(out.shape[1]):
            for row in range(out.shape[2]):
                out[image, i, row] = weight[0, i] * x[image, index[0, i], row]
            for k in range(1, index.shape[0]):
                w = weight[k, i]
                if w != 0:
                    for row in range(out.shape[2]):
                        out[image, i, row] += w * x[image, index[k, i], row]
