"""The ramp filter along the columns of each pattern, and the start it gives."""

import math

import torch
from torch import Tensor

from lightlathe.support.sums import matmul


def taps(count: int, *, device: torch.device | str = "cpu", dtype: torch.dtype = torch.float64) -> Tensor:
    """(2 count - 1,) samples h(n), n = -(count-1)..count-1, of the band-limited ramp at unit spacing.

    h(0) = 1/4, h(odd n) = -1/(pi n)^2, h(even n) = 0. Taking the ramp in frequency instead would shift the mean.
    Source: Kak & Slaney, Principles of Computerized Tomographic Imaging (1988), chapter 3, eq. 61.
    """
    n = torch.arange(-(count - 1), count, device=device, dtype=torch.float64)
    h = torch.where(n % 2 == 0, 0.0, -1 / (math.pi * n).square().clamp(min=1e-300))
    h[count - 1] = 0.25
    return h.to(dtype)


def ramp(patterns: Tensor) -> Tensor:
    """(angle, column, row) -> the same, filtered along the columns; linear, symmetric and positive definite."""
    columns = patterns.shape[1]
    h = taps(columns, device=patterns.device, dtype=patterns.dtype)
    index = torch.arange(columns, device=patterns.device)
    matrix = h[index[:, None] - index[None, :] + columns - 1]
    return matmul(matrix, patterns)
