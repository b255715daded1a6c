"""Gradient steps through the ramp filter, on the levels that may move."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.solve.problem import Evaluated, Problem
from lightlathe.solve.ramp import ramp
from lightlathe.solve.step_rules import dot, free


@dataclass(frozen=True)
class FreeSetRamp:
    """g <- clip(g - t M F M grad): F the ramp filter along columns, M the levels free to move, t a spectral step.

    The operator blurs like 1/frequency; the ramp undoes that, so a handful of steps reach all sizes of detail at once.
    A step that does not lower the loss is halved and tried again (each trial is an iteration of the log).

    first_change   size of the first step: its mean change, in units of the mean level

    Source: two-metric projection, Bertsekas, SIAM J. Control Optim. 20 (1982) 221; spectral step lengths, Barzilai &
    Borwein, IMA J. Numer. Anal. 8 (1988) 141.
    """

    first_change: float = 1.0

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        nan = torch.full((), torch.nan, device=patterns.device, dtype=torch.float64)
        gradient = torch.zeros_like(patterns)
        return {"trial": patterns, "patterns": patterns, "gradient": gradient, "value": nan, "step": nan}

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return {**state, "trial": state["patterns"], "value": torch.full_like(state["value"], torch.nan)}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        x, g, value, step = (state[k] for k in ("patterns", "gradient", "value", "step"))
        first = value.isnan()
        change, bend = at.patterns - x, at.gradient - g
        accepted = first | (at.value <= value + 1e-4 * dot(g, change))
        spectral = dot(change, bend) / dot(bend, ramp(bend))
        x = torch.where(accepted, at.patterns, x)
        g = torch.where(accepted, at.gradient, g)
        movable = free(x, g, problem.limit)
        d = ramp(g * movable) * movable
        opening = self.first_change * x.abs().sum() / d.abs().sum().clamp(min=1e-30)
        farther = torch.where(dot(change, change) > 0, 2 * step, step)  # at a loss of 0 nothing moves any more
        longer = torch.where((spectral > 0) & spectral.isfinite(), spectral, farther)
        step = torch.where(first, opening.to(torch.float64), torch.where(accepted, longer, step / 2))
        return {
            "trial": (x - step.to(x.dtype) * d).clamp_(0, problem.limit),
            "patterns": x,
            "gradient": g,
            "value": torch.where(accepted, at.value.to(torch.float64), value),
            "step": step,
        }
