"""Sums and functions whose last digits do not depend on the number of threads.

Torch's own sums over large arrays split by threads on a CPU, and so change their last digits with the number of them;
some of its curves (sigmoid, softplus, powers) end each thread's share by another formula. A design amplifies such
differences until levels change. Here results are the same for any number of threads on one machine. Other devices use
torch's own, which are repeatable there.

Torch's `exp`, `log`, comparisons and arithmetic number by number, `amax`, `cumsum` and `sort` need no such care.
"""

import math

import torch
from torch import Tensor


def total(x: Tensor) -> Tensor:
    """Sum of all numbers, 0-d in the dtype of x; added up in float64 on a CPU. Differentiable."""
    return _Total.apply(x) if x.device.type == "cpu" else x.sum()


def exact_total(x: Tensor) -> Tensor:
    """The same as a 0-d float64 tensor."""
    return x.sum(dtype=torch.float64) if x.device.type != "cpu" else torch.tensor(_total(x), dtype=torch.float64)


def mean(x: Tensor) -> Tensor:
    """Mean of all numbers, 0-d in the dtype of x. Differentiable."""
    return total(x) / x.numel()


def dot(a: Tensor, b: Tensor) -> Tensor:
    """<a, b> as a 0-d float64 tensor on the device of a."""
    if a.device.type != "cpu":
        return torch.dot(a.flatten(), b.flatten()).to(torch.float64)
    from lightlathe.support.sums_cpu import dot

    return torch.tensor(dot(_flat(a), _flat(b)), dtype=torch.float64)


def by_slice(x: Tensor) -> Tensor:
    """(z,) sums over the first axes of (x, y, z) or (row, z), in the dtype of x. Differentiable."""
    return _BySlice.apply(x) if x.device.type == "cpu" else x.flatten(0, -2).sum(0)


def log_of_sum(x: Tensor, floor: float = -torch.inf) -> Tensor:
    """(z,) log(exp(floor) + sum of exp(x)) over the first axes of (x, y, z) or (row, z). Differentiable."""
    top = x.detach().flatten(0, -2).amax(0).clamp(min=floor)
    top = torch.where(top.isneginf(), 0.0, top)  # nothing to add up: the logarithm of 0
    found = by_slice(torch.exp(x - top))
    return torch.log(found if floor == -torch.inf else found + torch.exp(floor - top)) + top


def sigmoid(x: Tensor) -> Tensor:
    """1 / (1 + exp(-x)) of each number. Differentiable."""
    return _Sigmoid.apply(x) if x.device.type == "cpu" else torch.sigmoid(x)


def softplus(x: Tensor) -> Tensor:
    """log(1 + exp(x)) of each number. Differentiable."""
    softplus = torch.nn.functional.softplus
    return -torch.nn.functional.logsigmoid(-x) if x.device.type == "cpu" else softplus(x)


def power(x: Tensor, exponent: float) -> Tensor:
    """x^exponent of each number, x 0 or more, exponent 1 or more. Differentiable."""
    return _Power.apply(x, exponent) if x.device.type == "cpu" else x.pow(exponent)


def matmul(a: Tensor, b: Tensor) -> Tensor:
    """torch.matmul, on a CPU by one thread: libraries split products among threads as they like."""
    if a.device.type != "cpu":
        return torch.matmul(a, b)
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        return torch.matmul(a, b)
    finally:
        torch.set_num_threads(threads)


def _flat(x: Tensor):
    return x.detach().contiguous().numpy().reshape(-1)


def _total(x: Tensor) -> float:
    from lightlathe.support.sums_cpu import total

    return total(_flat(x))


class _Total(torch.autograd.Function):
    @staticmethod
    def forward(ctx, x: Tensor) -> Tensor:
        ctx.shape = x.shape
        return torch.tensor(_total(x), dtype=x.dtype)

    @staticmethod
    def backward(ctx, *grads: Tensor):
        return grads[0].expand(ctx.shape)


class _BySlice(torch.autograd.Function):
    @staticmethod
    def forward(ctx, x: Tensor) -> Tensor:
        from lightlathe.support.sums_cpu import columns

        ctx.shape = x.shape
        return torch.from_numpy(columns(x.detach().flatten(0, -2).contiguous().numpy())).to(x.dtype)

    @staticmethod
    def backward(ctx, *grads: Tensor):
        return grads[0].expand(ctx.shape)


class _Sigmoid(torch.autograd.Function):
    @staticmethod
    def forward(ctx, x: Tensor) -> Tensor:
        largest = math.log(torch.finfo(x.dtype).max) - 1  # beyond, exp is infinite
        y = x.neg().clamp_(max=largest).exp_().add_(1).reciprocal_()
        ctx.save_for_backward(y)
        return y

    @staticmethod
    def backward(ctx, *grads: Tensor):
        (y,) = ctx.saved_tensors
        return grads[0] * (1 - y) * y


class _Power(torch.autograd.Function):
    @staticmethod
    def forward(ctx, x: Tensor, exponent: float) -> Tensor:
        ctx.save_for_backward(x)
        ctx.exponent = exponent
        return _powered(x, exponent)

    @staticmethod
    def backward(ctx, *grads: Tensor):
        (x,) = ctx.saved_tensors
        return grads[0] * ctx.exponent * _powered(x, ctx.exponent - 1), None


def _powered(x: Tensor, exponent: float) -> Tensor:
    if exponent == round(exponent) and exponent <= 64:
        result, square = None, x
        left = round(exponent)
        while left:
            if left & 1:
                result = square if result is None else result * square
            left >>= 1
            square = square * square if left else square
        return torch.ones_like(x) if result is None else result
    return torch.exp(exponent * torch.log(x))
