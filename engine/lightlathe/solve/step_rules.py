"""Shared by the solvers: which levels may still move."""

from torch import Tensor


def free(patterns: Tensor, gradient: Tensor, limit: float) -> Tensor:
    """bool: levels between 0 and the limit, and those at one of them that a step downhill takes back inside."""
    return ((patterns > 0) | (gradient < 0)) & ((patterns < limit) | (gradient > 0))
