"""Gradient steps through the ramp filter, on the levels that may move."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.solve.passes import keep_if, passes_for
from lightlathe.solve.problem import Evaluated, Problem


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
        passes, tried = passes_for("free_set", x), at.patterns
        promised, curved, moved, bent = passes.compared(tried, at.gradient, x, g)
        first = value.isnan()
        accepted = first | (at.value <= value + 1e-4 * promised)
        farther = torch.where(moved > 0, 2 * step, step)  # at a loss of 0 nothing moves any more
        spectral = curved / bent
        longer = torch.where((spectral > 0) & spectral.isfinite(), spectral, farther)
        step = torch.where(accepted, longer, step / 2)
        g = keep_if(~accepted, g, at.gradient)
        trial, x, step = passes.stepped(
            accepted, tried, x, g, step, first, change=self.first_change, limit=problem.limit
        )
        return {
            "trial": trial,
            "patterns": x,
            "gradient": g,
            "value": torch.where(accepted, at.value.to(torch.float64), value),
            "step": step,
        }
