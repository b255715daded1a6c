"""Penalties on patterns: values worked by hand, gradients, refusals."""

import pytest
import torch

from lightlathe.errors import JobError
from lightlathe.losses import PENALTIES, LightUsed, PeakLevel, Roughness

# (angle=2, column=2, row=2)
PATTERNS = torch.tensor([[[0.0, 1.0], [2.0, 3.0]], [[1.0, 1.0], [2.0, 2.0]]], dtype=torch.float64)


def test_light_used_is_the_mean_level():
    assert float(LightUsed(0.5)(PATTERNS)) == pytest.approx(0.5 * 12 / 8)


def test_peak_level_is_a_power_mean():
    squares = 0 + 1 + 4 + 9 + 1 + 1 + 4 + 4
    assert float(PeakLevel(2.0, exponent=2)(PATTERNS)) == pytest.approx(2 * (squares / 8) ** 0.5)


def test_peak_level_tends_to_the_peak():
    # the mean of 8 levels with one at 3: 3 * (1/8)^(1/p) <= value <= 3
    assert 3 * (1 / 8) ** (1 / 64) <= float(PeakLevel(1.0, exponent=64)(PATTERNS)) <= 3


def test_roughness_of_each_axis():
    columns = (2**2 + 2**2 + 1**2 + 1**2) / 4
    rows = (1**2 + 1**2 + 0 + 0) / 4
    angles = 2 * (1**2 + 0 + 0 + 1**2) / 8  # the turn closes: each of two steps is seen from both ends
    assert float(Roughness(columns=1)(PATTERNS)) == pytest.approx(columns)
    assert float(Roughness(rows=1)(PATTERNS)) == pytest.approx(rows)
    assert float(Roughness(angles=1)(PATTERNS)) == pytest.approx(angles)
    assert float(Roughness(1, 2, 3)(PATTERNS)) == pytest.approx(columns + 2 * rows + 3 * angles)


@pytest.mark.parametrize("penalty", [LightUsed(0.3), PeakLevel(0.3), Roughness(0.1, 0.2, 0.3)])
def test_gradient(penalty):
    generator = torch.Generator().manual_seed(3)
    patterns = torch.rand(3, 4, 2, generator=generator, dtype=torch.float64).requires_grad_()
    if isinstance(penalty, PeakLevel):
        # gradcheck would see the highest level change; the penalty holds it fixed as a scale, which cancels
        (slope,) = torch.autograd.grad(penalty(patterns), patterns)
        (plain,) = torch.autograd.grad(0.3 * patterns.pow(8).mean().pow(1 / 8), patterns)
        torch.testing.assert_close(slope, plain)
    else:
        assert torch.autograd.gradcheck(penalty, patterns)


@pytest.mark.parametrize("penalty", [LightUsed(0.3), PeakLevel(0.3), Roughness(0.1, 0.2, 0.3)])
def test_dark_patterns_have_a_finite_gradient(penalty):
    dark = torch.zeros(2, 3, 1, requires_grad=True)
    (slope,) = torch.autograd.grad(penalty(dark), dark)
    assert bool(slope.isfinite().all())


@pytest.mark.parametrize("name", PENALTIES)
def test_negative_weights_are_refused(name):
    field = "columns" if name == "roughness" else "weight"
    with pytest.raises(JobError, match="expected 0 or more"):
        PENALTIES[name](**{field: -1.0})
