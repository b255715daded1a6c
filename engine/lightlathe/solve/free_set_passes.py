"""The arithmetic of solver free_set_ramp in plain torch. F is the ramp filter along columns."""

import torch
from torch import Tensor

from lightlathe.solve.ramp import ramp
from lightlathe.solve.step_rules import dot, free


def compared(tried: Tensor, tried_gradient: Tensor, x: Tensor, gradient: Tensor) -> tuple[Tensor, ...]:
    """0-d float64, for s the change from x and t that of the gradient: <gradient, s>, <s, t>, <s, s>, <t, F t>."""
    change, bend = tried - x, tried_gradient - gradient
    return dot(gradient, change), dot(change, bend), dot(change, change), dot(bend, ramp(bend))


def stepped(
    accepted: Tensor, tried: Tensor, x: Tensor, gradient: Tensor, step: Tensor, first: Tensor, *,
    change: float, limit: float,
) -> tuple[Tensor, Tensor, Tensor]:  # fmt: skip
    """clip(x - step * M F M gradient), M the levels free to move; the x it starts from, `tried` if accepted; the step.

    change   mean change of a first step, which `first` asks for in place of `step`, in units of the mean level
    """
    x = torch.where(accepted, tried, x)
    movable = free(x, gradient, limit)
    d = ramp(gradient * movable) * movable
    opening = change * x.abs().sum() / d.abs().sum().clamp(min=1e-30)
    step = torch.where(first, opening.to(torch.float64), step)
    return (x - step.to(x.dtype) * d).clamp_(0, limit), x, step
