"""Losses of a dose, and penalties on patterns."""

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
