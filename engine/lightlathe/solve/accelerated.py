"""Projected gradient steps with momentum, restarted whenever the momentum points uphill."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.solve.problem import Evaluated, Problem
from lightlathe.solve.step_rules import dot


@dataclass(frozen=True)
class AcceleratedGradient:
    """x <- clip(y - grad(y) / L), y <- x + momentum * (change of x); L is the steepest bend seen, slowly forgotten.

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
            "bend": one * torch.nan,
            "momentum": one,
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        """The momentum of the old loss is dropped; its bend is kept."""
        return {**state, "trial": state["patterns"], "before": state["patterns"], "momentum": state["momentum"] * 0 + 1}

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        x, y, g = state["patterns"], at.patterns, at.gradient
        change, turn = y - state["before"], g - state["gradient"]
        seen = dot(turn, turn) / dot(change, turn)
        seen = torch.where((seen > 0) & seen.isfinite(), seen, 0.0)
        opening = 10 * dot(g.abs(), torch.ones_like(g)) / dot(y.abs(), torch.ones_like(y))
        bend = torch.where(state["bend"].isnan(), opening, torch.maximum(self.forget * state["bend"], seen))
        new = (y - g / bend.to(g.dtype)).clamp_(0, problem.limit)
        uphill = dot(g, new - x) > 0
        old_momentum = torch.where(uphill, 1.0, state["momentum"])
        momentum = (1 + torch.sqrt(1 + 4 * old_momentum.square())) / 2
        carry = ((old_momentum - 1) / momentum).to(x.dtype)
        trial = (new + carry * (new - x)).clamp_(0, problem.limit)
        return {"trial": trial, "patterns": new, "before": y, "gradient": g, "bend": bend, "momentum": momentum}
