"""The arithmetic of solver free_set_ramp in plain torch. F is the ramp filter along columns."""

import torch
from torch import Tensor

from lightlathe.solve.ramp import ramp
from lightlathe.solve.step_rules import free
from lightlathe.support.sums import dot, exact_total


def looked(
    accepted: Tensor, tried: Tensor, x: Tensor, gradient: Tensor, *, limit: float
) -> tuple[Tensor, Tensor]:  # fmt: skip
    """<gradient, tried - x> in float64, and M gradient: M the levels free to move at the point to continue from.

    That point is `tried` where accepted, else x; gradient is the one there.
    """
    slope = dot(gradient, tried - x)
    return slope, gradient * free(torch.where(accepted, tried, x), gradient, limit)


def stepped(
    x: Tensor, loose: Tensor, step: Tensor, first: Tensor, *, change: float, limit: float
) -> tuple[Tensor, Tensor, Tensor]:
    """trial = clip(x - step * M F loose), the step, and <loose, trial - x> in float64.

    loose    M gradient, as `looked` gives it
    change   mean change of a first step, which `first` asks for in place of `step`, in units of the mean level
    """
    d = ramp(loose) * free(x, loose, limit)  # M: a level at a bound is free only where its gradient is not 0
    levels, length = (exact_total(part.abs()) for part in (x, d))
    step = torch.where(first, torch.where(length > 0, change * levels / length, 0.0), step)
    trial = (x - step.to(x.dtype) * d).clamp_(0, limit)
    return trial, step, dot(loose, trial - x)
