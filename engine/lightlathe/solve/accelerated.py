"""Projected gradient steps with momentum, restarted whenever the momentum points uphill."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.gpu.forms import form_for
from lightlathe.solve.problem import Evaluated, Problem


@dataclass(frozen=True)
class AcceleratedGradient:
    """x <- clip(y - grad(y) / L), y <- x + momentum * (change of x); L is the largest curvature seen, slowly forgotten.

    forget   share of L that stays from step to step, below 1 so that steps may grow again

    Source: Nesterov, Soviet Math. Dokl. 27 (1983) 372; Beck & Teboulle, SIAM J. Imaging Sci. 2 (2009) 183; restart by
    the gradient: O'Donoghue & Candes, Found. Comput. Math. 15 (2015) 715.
    """

    forget: float = 0.99

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        one = torch.ones((), device=patterns.device, dtype=torch.float64)
        zeros = torch.zeros_like(patterns)
        return {
            "trial": patterns,
            "patterns": patterns,
            "before": patterns,
            "gradient": zeros,
            "curvature": one * torch.nan,
            "momentum": one,
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        """The momentum of the old loss is dropped; its curvature is kept."""
        return {**state, "trial": state["patterns"], "before": state["patterns"], "momentum": state["momentum"] * 0 + 1}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        passes, y, g = form_for("accelerated", at.patterns), at.patterns, at.gradient
        turns, curved, steep, size = passes.turned(y, state["before"], g, state["gradient"])
        seen = turns / curved
        seen = torch.where((seen > 0) & seen.isfinite(), seen, 0.0)
        last = state["curvature"]
        curvature = torch.where(last.isnan(), 10 * steep / size, torch.maximum(self.forget * last, seen))
        momentum = state["momentum"]
        carry = (momentum - 1) / _next(momentum)
        new, trial, uphill = passes.carried(y, g, state["patterns"], curvature, carry, limit=problem.limit)
        momentum = _next(torch.where(uphill, 1.0, momentum))
        return {
            "trial": trial,
            "patterns": new,
            "before": y,
            "gradient": g,
            "curvature": curvature,
            "momentum": momentum,
        }


def _next(momentum: Tensor) -> Tensor:
    return (1 + torch.sqrt(1 + 4 * momentum.square())) / 2
