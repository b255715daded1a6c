"""What solvers hand to the passes over their arrays: points, moves between them, arrays in 8 bits."""

from typing import NamedTuple

import torch
from torch import Tensor


class Point(NamedTuple):
    """Patterns (angle, column, row) and the gradient of the objective there."""

    patterns: Tensor
    gradient: Tensor


class Move(NamedTuple):
    """From `before` to a trial, which becomes the current point where `accepted`: 0-d bool, or (slice,)."""

    accepted: Tensor
    tried: Point
    before: Point

    def outcome(self) -> Point:
        """The point to continue from."""
        return Point(*(torch.where(self.accepted, new, old) for new, old in zip(self.tried, self.before, strict=True)))


class Coded(NamedTuple):
    """Numbers in 8 bits: int8 codes and the float32 scales of their blocks, in the layout of who made them."""

    codes: Tensor
    scales: Tensor


class Stepped(NamedTuple):
    """What a step gives.

    at          the point to continue from
    trial       the next one to be evaluated
    predicted   <gradient, trial - patterns>, float64: 0-d, or (slice,)
    change      trial - patterns, in 8 bits
    """

    at: Point
    trial: Tensor
    predicted: Tensor
    change: Coded
