"""Pieces that the solvers share: which levels may still move, and sums in float64."""

import torch
from torch import Tensor


def free(patterns: Tensor, gradient: Tensor, limit: float) -> Tensor:
    """bool: levels between 0 and the limit, and those at one of them that a step downhill takes back inside."""
    return ((patterns > 0) | (gradient < 0)) & ((patterns < limit) | (gradient > 0))


def dot(a: Tensor, b: Tensor) -> Tensor:
    """<a, b> as a 0-d float64 tensor on the device of a."""
    return torch.dot(a.flatten(), b.flatten()).to(torch.float64)
