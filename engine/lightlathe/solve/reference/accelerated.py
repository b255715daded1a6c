"""The arithmetic of solver accelerated_gradient in plain torch."""

import torch
from torch import Tensor

from lightlathe.support.sums import dot, exact_total


def turned(y: Tensor, before: Tensor, gradient: Tensor, gradient_before: Tensor) -> tuple[Tensor, ...]:
    """0-d float64, for s the change of y and t that of its gradient: <t, t>, <s, t>, sum |gradient|, sum |y|."""
    change, turn = y - before, gradient - gradient_before
    sizes = (exact_total(part.abs()) for part in (gradient, y))
    return dot(turn, turn), dot(change, turn), *sizes


def carried(
    y: Tensor, gradient: Tensor, x: Tensor, curvature: Tensor, carry: Tensor, *, limit: float
) -> tuple[Tensor, Tensor, Tensor]:
    """new = clip(y - gradient / curvature); new carried on along its change from x; whether that change points uphill.

    What points uphill is not carried on.
    """
    new = (y - gradient / curvature.to(y.dtype)).clamp_(0, limit)
    step = new - x
    uphill = dot(gradient, step) > 0
    carry = torch.where(uphill, 0.0, carry).to(x.dtype)
    return new, (new + carry * step).clamp_(0, limit), uphill
