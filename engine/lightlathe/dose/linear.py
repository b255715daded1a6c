"""A linear map for autograd and torch.func: its derivative is its transpose, whose derivative is the map again."""

from collections.abc import Callable
from typing import Any

import torch
from torch import Tensor


class Linear(torch.autograd.Function):
    """A linear map whose derivative is its transpose, whose derivative is the map again; both take batches.

    linear, again   two ways to compute the map: of x, and of what derivatives bring
    """

    @staticmethod
    def forward(x: Tensor, linear: Callable, transpose: Callable, again: Callable) -> Tensor:
        return linear(x)

    @staticmethod
    def setup_context(ctx: Any, inputs: tuple[Any, ...], output: Tensor) -> None:
        ctx.pair = inputs[2:]

    @staticmethod
    def backward(ctx: Any, *grads: Tensor) -> tuple[Tensor | None, ...]:
        transpose, linear = ctx.pair
        return Linear.apply(grads[0], transpose, linear, transpose), None, None, None

    @staticmethod
    def jvp(ctx: Any, *tangents: Any) -> Tensor:
        transpose, linear = ctx.pair
        return Linear.apply(tangents[0], linear, transpose, linear)

    @staticmethod
    def vmap(info: Any, in_dims: tuple[Any, ...], *args: Any) -> tuple[Tensor, int]:
        x, *maps = args
        return Linear.apply(x.movedim(in_dims[0], 0), *maps), 0
