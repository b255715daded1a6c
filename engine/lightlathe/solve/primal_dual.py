"""Primal-dual steps on the process window itself: patterns against weights on the worst voxels."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import JobError, SolveError
from lightlathe.quantities import Target
from lightlathe.solve.problem import Evaluated, Problem
from lightlathe.support.sums import by_slice, total


@dataclass(frozen=True)
class PrimalDual:
    """Saddle point of the sum over slices of sum_i w_i e_i(g): least over patterns g, most over weights w of a slice.

    e = 1 - D in the part, D - 1 elsewhere (units of the gel dose); the weights of a slice are 0 or more and sum to 1,
    so the inner maximum is the worst voxel, and the optimum is the widest relative window, as for loss soft_window at
    endless sharpness. The job's loss plays no part: this solver always pursues the window, and the loss it logs is
    the weighted excess.

    balance   size of the patterns against size of the weights; larger moves the patterns in longer steps

    Source: Chambolle & Pock, J. Math. Imaging Vis. 40 (2011) 120, algorithm 1 with the roles exchanged.
    """

    balance: float = 10.0

    def __post_init__(self) -> None:
        if self.balance <= 0:
            raise JobError(f"primal_dual: balance is {self.balance}; expected a number above 0.")

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        if problem.penalties:
            raise SolveError("solver primal_dual takes no penalties on patterns; use bounded_lbfgs with soft_window.")
        operator, target = problem.operator, problem.target
        judged = (target.solid | target.liquid).to(patterns.dtype)
        row = (operator(torch.ones_like(patterns)) * judged).amax()
        column = operator.transpose(judged).amax()
        norm = torch.sqrt(row * column)  # no less than the operator's, by Schur's test
        size = torch.sqrt(by_slice(patterns.square()).mean())
        step = self.balance * size / norm
        return {
            "trial": patterns,
            "patterns": patterns,
            "weights": judged / by_slice(judged).clamp(min=1),
            "step": step,
            "weight_step": 1 / (step * norm.square()),
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return state

    def loss_for(self, state: dict[str, Tensor], loss: Any) -> Callable[[Tensor, Target], Tensor]:
        """A loss whose slope is the extrapolated weights, with the sign of each class."""

        def weighted(dose: Tensor, target: Target) -> Tensor:
            excess = _excess(dose, target)
            new = _heavier(state, excess.detach(), target)
            return total((2 * new - state["weights"]) * excess)

        return weighted

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        trial = (at.patterns - state["step"] * at.gradient).clamp_(0, problem.limit)
        weights = _heavier(state, _excess(at.dose, problem.target), problem.target)
        return {**state, "trial": trial, "patterns": at.patterns, "weights": weights}


def _excess(dose: Tensor, target: Target) -> Tensor:
    return (1 - dose) * target.solid + (dose - 1) * target.liquid


def _heavier(state: dict[str, Tensor], excess: Tensor, target: Target) -> Tensor:
    raised = state["weights"] + state["weight_step"] * excess
    return onto_simplex(torch.where(target.solid | target.liquid, raised, -torch.inf))


def onto_simplex(values: Tensor) -> Tensor:
    """The nearest weights, 0 or more and summing to 1 in each slice of (x, y, z); -inf marks voxels that take none.

    Source: Held, Wolfe & Crowder, Math. Program. 6 (1974) 62: sort, and find the one shift that makes the sum 1.
    """
    flat = values.flatten(0, 1)
    ranked = flat.sort(dim=0, descending=True).values
    rank = torch.arange(1, len(flat) + 1, device=values.device, dtype=values.dtype)[:, None]
    finite = ranked.isfinite()
    excess = torch.where(finite, ranked, 0).cumsum(0) - 1
    count = (finite & (ranked * rank > excess)).sum(0, keepdim=True)
    shift = excess.gather(0, (count - 1).clamp(min=0)) / count.clamp(min=1)
    return (flat - shift).clamp(min=0).reshape(values.shape)
