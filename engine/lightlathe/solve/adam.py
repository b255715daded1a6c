"""Adam: each level steps by its own running scale of the gradient."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.gpu.forms import form_for
from lightlathe.solve.problem import Evaluated, Problem


@dataclass(frozen=True)
class Adam:
    """x <- clip(x - rate * m / (sqrt(v) + small)), m and v the running means of the gradient and of its square.

    rate         step in units of the even level
    mean, square share of m and of v that stays from step to step

    A yardstick that many know; the others here reach the same design in a fraction of its iterations.
    Source: Kingma & Ba, ICLR 2015, algorithm 1.
    """

    rate: float = 0.1
    mean: float = 0.9
    square: float = 0.999

    def __post_init__(self) -> None:
        if self.rate <= 0 or not 0 <= self.mean < 1 or not 0 <= self.square < 1:
            raise JobError(
                f"adam: rate is {self.rate}, mean {self.mean}, square {self.square}; expected a rate above 0 and "
                "shares from 0 up to but below 1."
            )

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]:
        return {
            "trial": patterns,
            "patterns": patterns,
            "mean": torch.zeros_like(patterns),
            "square": torch.zeros_like(patterns),
            "steps": torch.zeros((), device=patterns.device, dtype=torch.float64),
        }

    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]:
        return state

    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]:
        steps = state["steps"] + 1
        scales = torch.stack([1 / (1 - self.square**steps), self.rate / (1 - self.mean**steps)])
        trial, mean, square = form_for("adam", at.patterns).step(
            at.patterns, at.gradient, state["mean"], state["square"], scales,
            keeps=(self.mean, self.square), limit=problem.limit,
        )  # fmt: skip
        return {"trial": trial, "patterns": at.patterns, "mean": mean, "square": square, "steps": steps}
