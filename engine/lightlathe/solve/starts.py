"""Initial guesses: functions of a problem, as frozen dataclasses that give patterns (angle, column, row)."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.solve.problem import Problem
from lightlathe.solve.ramp import ramp
from lightlathe.support.sums import total


@dataclass(frozen=True)
class Uniform:
    """Even light that gives the part a mean dose of 1.

    disturbed, seed   every level times exp(disturbed * n), n drawn from the normal distribution by `seed`
    """

    disturbed: float = 0.0
    seed: int = 0

    def __call__(self, problem: Problem) -> Tensor:
        operator = problem.operator
        even = torch.ones(operator.pattern_shape, device=operator.device, dtype=operator.dtype)
        return _disturbed(even, self.disturbed, self.seed).clamp_(max=problem.limit)


@dataclass(frozen=True)
class Filtered:
    """The part projected through the resin's absorption, ramp-filtered along columns, clipped at 0; mean dose 1.

    disturbed, seed   every level times exp(disturbed * n), n drawn from the normal distribution by `seed`: to see how
                      much a design owes to its start

    Source: filtered back-projection, Kak & Slaney (1988), chapter 3; clipping keeps what light can do of it.
    """

    disturbed: float = 0.0
    seed: int = 0

    def __call__(self, problem: Problem) -> Tensor:
        operator, target = problem.operator, problem.target
        projection = operator.transpose(target.solid.to(operator.dtype))
        patterns = ramp(projection).clamp_(min=0)
        dose = operator(patterns)
        mean = total(dose * target.solid) / target.solid.sum()
        if not float(mean) > 0:
            raise SolveError("the filtered start leaves the part dark; expected light in the part. Is the part empty?")
        return _disturbed(patterns / mean, self.disturbed, self.seed).clamp_(max=problem.limit)


def _disturbed(patterns: Tensor, share: float, seed: int) -> Tensor:
    """The same on every device: the numbers are drawn on the CPU."""
    if share == 0:
        return patterns
    normal = torch.randn(patterns.shape, generator=torch.Generator().manual_seed(seed))
    return patterns * torch.exp(share * normal).to(patterns)
