"""Sparse maps along the last axis on the CPU: torch's own gathers take ten times as long there."""

import numpy as np
import torch
from numba import njit
from torch import Tensor

from lightlathe.support.threads import share_out

fast = njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract"})


def apply(index: Tensor, weight: Tensor, x: Tensor) -> Tensor:
    """out[.., i] = sum over k of weight[k, i] * x[.., index[k, i]]; index and weight (tap, out)."""
    out = torch.empty(*x.shape[:-1], index.shape[1], dtype=x.dtype)
    given, made = x.detach().contiguous().numpy().reshape(-1, x.shape[-1]), out.numpy().reshape(-1, index.shape[1])
    numbers, weights = index.numpy().astype(np.uint32), weight.numpy()
    share_out(lambda first, last: along(given, made, numbers, weights, first, last), len(given), max_items=4096)
    return out


@fast
def along(x, out, index, weight, first, last):
    """Lines first to last of x (line, in) -> out (line, out). The index is unsigned: none counts from the end."""
    for line in range(first, last):
        for i in range(out.shape[1]):
            out[line, i] = weight[0, i] * x[line, index[0, i]]
        for k in range(1, index.shape[0]):
            for i in range(out.shape[1]):
                out[line, i] += weight[k, i] * x[line, index[k, i]]
