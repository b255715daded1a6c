"""The arithmetic of solver adam in plain torch."""

import torch
from torch import Tensor


def step(
    x: Tensor,
    gradient: Tensor,
    mean: Tensor,
    square: Tensor,
    scales: Tensor,
    *,
    keeps: tuple[float, float],
    limit: float,
) -> tuple[Tensor, Tensor, Tensor]:
    """clip(x - scales[1] * m / (sqrt(v * scales[0]) + tiny)) and the new m and v.

    keeps    share of m and of v that stays
    scales   (2,) float64: 1 / (share of v seen so far), rate / (share of m seen so far)
    """
    by_square, by_mean = scales.to(x.dtype)
    mean = mean * keeps[0] + gradient * (1 - keeps[0])
    square = square * keeps[1] + gradient.square() * (1 - keeps[1])
    scale = torch.sqrt(square * by_square) + torch.finfo(square.dtype).tiny ** 0.5
    return (x - mean / scale * by_mean).clamp_(0, limit), mean, square
