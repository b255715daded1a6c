"""Numbers, comparisons and an operator for the tests of GPU functions beside this file."""

import math

import torch

from gpu_device import DEVICE
from lightlathe.families.linear_map import LinearMap

LIMIT = 1.5
YES, NO = torch.tensor(True), torch.tensor(False)


def numbers(shape, seed, *, positive=False):
    """Random numbers; positive ones are levels, a third of them at a bound."""
    x = torch.randn(shape, generator=torch.Generator().manual_seed(seed))
    return (1.2 * x).abs().clamp(max=LIMIT) * (x > -0.4) if positive else x


def mapped(change, value):
    """The same tuples of tensors, named ones too, each tensor changed."""
    if isinstance(value, torch.Tensor):
        return change(value)
    made = [mapped(change, inner) for inner in value]
    return type(value)(*made) if hasattr(value, "_fields") else tuple(made)


def flat(value):
    """All tensors of nested tuples, in their order."""
    return [value] if isinstance(value, torch.Tensor) else [tensor for inner in value for tensor in flat(inner)]


def both(module, plain, name, *given, **settings):
    """The same function fused on the device in float32, and in plain torch on the CPU in float64."""
    here = mapped(lambda t: t.clone().to(DEVICE), given)
    exact = mapped(lambda t: t.double() if t.is_floating_point() else t.clone(), given)
    got, wanted = getattr(module, name)(*here, **settings), getattr(plain, name)(*exact, **settings)
    return [(g.double().cpu(), w.double()) for g, w in zip(flat(got), flat(wanted), strict=True)], here, exact


def orders(laid):
    """(x, y, slice) numbers of a LaidOut, as each of its two orders has them: octets of slices, in halves times a power
    of two that brings `most` to 2^13..2^14."""
    nx, ny, _ = laid.shape
    scale = 2.0 ** (14 - max(-112, math.frexp(float(laid.most))[1]))
    by_x, by_y = laid.by_x.reshape(ny, -1, nx, 8), laid.by_y.reshape(nx, -1, ny, 8)
    for order in (by_x.permute(2, 0, 1, 3), by_y.permute(0, 2, 1, 3)):
        yield order.reshape(nx, ny, -1)[:, :, : laid.slices].float() / scale


class OnDevice(LinearMap):
    """The operator of a flat problem, in float32 on the device, by the reference kernel."""

    dtype = torch.float32

    def __init__(self, operator):
        self.device, self.operator = DEVICE, operator
        self.pattern_shape, self.dose_shape, self.gain = operator.pattern_shape, operator.dose_shape, operator.gain

    def __call__(self, patterns):
        return self.operator(patterns.cpu().to(self.operator.dtype)).to(DEVICE, torch.float32)

    def transpose(self, dose):
        return self.operator.transpose(dose.cpu().to(self.operator.dtype)).to(DEVICE, torch.float32)
