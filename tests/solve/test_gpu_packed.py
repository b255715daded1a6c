"""Slopes that losses leave in halves, as an adjoint reads them, against those in float32."""

import math

import pytest
import torch
from gpu_cases import OnDevice, orders

from flat_problems import make
from gpu_device import DEVICE
from lightlathe.gpu.forms import value_and_gradient
from lightlathe.gpu.packed import LaidOut
from lightlathe.losses import GapHinge, SoftWindow
from lightlathe.quantities import Target
from lightlathe.solve import Problem
from operators import gap


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize(("shape", "circle"), [((9, 31, 33), 500), ((1, 1, 1), 2), ((17, 8, 64), 999), ((5, 7, 9), 1)])
@pytest.mark.parametrize("loss", [GapHinge(), GapHinge(exponent=1.5), SoftWindow(30, 30, 1)])
def test_slopes_laid_out_are_those_of_float32(loss, shape, circle, weighted, monkeypatch):
    """Both orders, rounded to 11 bits, zeros outside the vial and beyond the last slice; the value as ever."""
    generator = torch.Generator().manual_seed(2)
    dose = 2 * torch.rand(shape, generator=generator)
    kind = torch.randint(0, 3, shape, generator=generator)
    kind[0, 0, 0] = 2
    away = [(2 * torch.arange(n) - n + 1).square() for n in shape[:2]]
    wet = ((away[0][:, None] + away[1][None, :]) <= circle)[:, :, None].expand(shape)
    dose = (dose * wet).to(DEVICE)
    weight = (torch.rand(shape, generator=generator) + 0.1).to(DEVICE) if weighted else None
    target = Target((kind == 2).to(DEVICE), (kind == 1).to(DEVICE), weight)
    wanted = value_and_gradient(loss, dose, target)
    empty = torch.empty
    monkeypatch.setattr(torch, "empty", lambda *a, **k: empty(*a, **k).fill_(math.nan))  # scratch memory holds anything
    got = value_and_gradient(loss, dose, target, LaidOut.empty(shape, circle, DEVICE, dose_at_most=2.0))
    assert isinstance(got.gradient, LaidOut)
    slope = wanted.gradient.cpu() * wet
    steepest, most = float(wanted.gradient.abs().max()), float(got.gradient.most)
    assert float(slope.abs().max()) <= most * (1 + 1e-5)
    if isinstance(loss, SoftWindow) or dose.numel() > 1:  # no more digits lost than need be
        assert most <= steepest * (1 + 1e-5 if isinstance(loss, SoftWindow) else 3)
    for order in orders(got.gradient):
        # half a step of 11 bits; where halves run out of exponents, half a step of 2^-24 over a scale of 2^13 / most
        assert torch.allclose(order.cpu(), slope, rtol=1.001 * 2.0**-11, atol=2.0**-38 * most)
    for order in (got.gradient.by_x, got.gradient.by_y):
        beyond = order.reshape(len(order), order.shape[1], -1, 8)[:, -1, :, 1 + (shape[2] - 1) % 8 :]
        assert torch.equal(beyond, torch.zeros_like(beyond))
    assert float(got.value) == pytest.approx(float(wanted.value), rel=2e-6)


class WithRoom(OnDevice):
    """Takes slopes as LaidOut, and notes what it was told and handed."""

    def __init__(self, operator, notes):
        super().__init__(operator)
        self.notes = notes

    def within(self, light):
        self.notes.append(light)
        return WithRoom(self.operator, self.notes)

    def gradient_of(self, loss, dose, target):
        room = LaidOut.empty(self.dose_shape, 10**6, DEVICE, dose_at_most=100.0)
        value, slope = value_and_gradient(loss, dose, target, room)
        return value, self.transpose(slope)

    def transpose(self, dose):
        self.notes.append(type(dose))
        return super().transpose(next(orders(dose)) if isinstance(dose, LaidOut) else dose)


@pytest.mark.parametrize("loss", [GapHinge(), SoftWindow(30, 30, 1)])
def test_a_problem_tells_the_limit_and_hands_the_room_over(loss):
    case, notes = make("hook", voxels=12, angles=4), []
    target = Target(case.target.solid.to(DEVICE), case.target.liquid.to(DEVICE))
    patterns = torch.rand(case.operator.pattern_shape, device=DEVICE)
    plain = Problem(OnDevice(case.operator), loss, target, limit=3.0).evaluate(patterns, loss)
    got = Problem(WithRoom(case.operator, notes), loss, target, limit=3.0).evaluate(patterns, loss)
    assert notes == [3.0, LaidOut]
    assert gap(got.gradient, plain.gradient) < 2.0**-11
    assert float(got.value) == pytest.approx(float(plain.value), rel=1e-6)


def test_a_steep_hinge_makes_no_use_of_room():
    room = LaidOut.empty((2, 2, 2), 100, DEVICE, dose_at_most=30.0)
    dose = torch.rand(2, 2, 2, device=DEVICE)
    assert isinstance(
        value_and_gradient(GapHinge(exponent=8), dose, Target(dose > 0.5, dose <= 0.5), room).gradient, torch.Tensor
    )
