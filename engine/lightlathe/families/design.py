"""What a design is made with: losses, penalties, early stopping; and the figures by which designs are ranked."""

from collections.abc import Mapping
from typing import Protocol

from torch import Tensor

from lightlathe.quantities import Target


class Loss(Protocol):
    def __call__(self, dose: Tensor, target: Target, /) -> Tensor:
        """A scalar tensor, differentiable in dose; smaller is better.

        dose   (x, y, z) float, in units of the gel dose
        """
        ...


class Penalty(Protocol):
    def __call__(self, patterns: Tensor, /) -> Tensor:
        """A scalar tensor, differentiable in patterns, that is added to the loss.

        patterns   (angle, column, row), in units of the even light that gives the part a mean dose of 1
        """
        ...


class Stop(Protocol):
    def reason(self, row: dict[str, float]) -> str | None:
        """Why to stop now, in words, or None. `row` holds the figures of one logged iteration, as /log of a result."""
        ...


class Figure(Protocol):
    def __call__(self, figures: Mapping[str, float], /) -> float:
        """Larger is better; `figures` are those of one run, by name (study/run.py). NaN comes last."""
        ...
