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
    """Images first to last of x (image, in, row) -> out (image, out, row), two taps at a time. The index is unsigned.

    Rows are named before they are added up: the compiler then sees that they are contiguous, and takes a third of the
    time.
    """
    taps = index.shape[0]
    for image in range(first, last):
        for i in range(out.shape[1]):
            made, near, w = out[image, i], x[image, index[0, i]], weight[0, i]
            for row in range(len(made)):
                made[row] = w * near[row]
            for k in range(1, taps - 1, 2):
                near, far, w, v = x[image, index[k, i]], x[image, index[k + 1, i]], weight[k, i], weight[k + 1, i]
                for row in range(len(made)):
                    made[row] += w * near[row] + v * far[row]
            if taps % 2 == 0:
                near, w = x[image, index[taps - 1, i]], weight[taps - 1, i]
                for row in range(len(made)):
                    made[row] += w * near[row]
