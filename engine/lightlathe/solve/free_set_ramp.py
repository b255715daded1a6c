"""Gradient steps through the ramp filter, on the levels that may move."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.gpu.forms import form_for, keep_if
from lightlathe.solve.problem import Evaluated, Problem


@dataclass(frozen=True)
class FreeSetRamp:
    """g <- clip(g - t M F M grad): F the ramp filter along columns, M the levels free to move.

    The operator blurs like 1/frequency; the ramp undoes that, so a handful of steps reach all sizes of detail at once.
    t is `relaxed` times the length that would have been best for the step before. A step that does not lower the loss
    is halved and tried again (each trial is an iteration of the log).

    first_change   size of the first step: its mean change, in units of the mean level
    relaxed        1 takes the best length whole; the shorter one zigzags less (benchmarks/QUALITY.md)

    Source: two-metric projection, Bertsekas, SIAM J. Control Optim. 20 (1982) 221; length from the step before,
    Barzilai & Borwein, IMA J. Numer. Anal. 8 (1988) 141; relaxed, Raydan & Svaiter, Comput. Optim. Appl. 21 (2002) 155.
    """

    first_change: float = 1.0
    relaxed: float = 0.8

    def __post_init__(self) -> None:
        if not 0 < self.relaxed <= 1:
            raise JobError(f"free_set_ramp: relaxed is {self.relaxed}; expected above 0 and at most 1.")

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        nan = torch.full((), torch.nan, device=patterns.device, dtype=torch.float64)
        gradient = torch.zeros_like(patterns)
        state = {"trial": patterns, "patterns": patterns, "gradient": gradient}
        return {**state, "value": nan, "step": nan, "predicted": nan}

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return {**state, "trial": state["patterns"], "value": torch.full_like(state["value"], torch.nan)}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        x, g, value, step, predicted = (state[k] for k in ("patterns", "gradient", "value", "step", "predicted"))
        passes, tried = form_for("free_set", x), at.patterns
        first = value.isnan()
        accepted = first | (at.value <= value + 1e-4 * predicted.clamp(max=0))
        g = keep_if(~accepted, g, at.gradient)
        slope, loose = passes.looked(accepted, tried, x, g, limit=problem.limit)

        # the loss along the last step: its slope went from `predicted` to `slope`, and would have been 0 at `best`
        best = self.relaxed * step * predicted / (predicted - slope)
        farther = torch.where(predicted < 0, 2 * step, step)  # at a loss of 0 nothing moves any more
        longer = torch.where((predicted < 0) & (best > 0) & best.isfinite(), best, farther)
        longer = torch.where(first, step, longer)  # another stage of the loss goes on with the step of the last
        step = torch.where(accepted, longer, step / 2)
        x = keep_if(~accepted, x, tried)
        trial, step, predicted = passes.stepped(
            x, loose, step, step.isnan() | (step == 0), change=self.first_change, limit=problem.limit
        )
        return {
            "trial": trial,
            "patterns": x,
            "gradient": g,
            "value": torch.where(accepted, at.value.to(torch.float64), value),
            "step": step,
            "predicted": predicted,
        }
