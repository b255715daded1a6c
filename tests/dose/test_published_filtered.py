"""Patterns that give a wanted dose exactly, if light could be negative.

Without absorption a round target f(r) needs g(s) = d/ds of the integral over 0..s of r f(r) / sqrt(s2 - r2) dr (inverse
Abel transform; S. R. Deans, 1983). With it the ramp filter loses the frequencies below mu / 2 pi (O. Tretiak, C. Metz,
SIAM J. Appl. Math. 39 (1980) 341). Numbers quoted were integrated independently.
"""

import math

import pytest
import torch
from vial import shine, slice_of

from lightlathe.solve.ramp import ramp

R = 10.0
VOXEL = 0.05


def disc(half: float, signed: bool = True):
    """1 within `half`, beyond it 1 - s / sqrt(s2 - half2): means over each column, as its pole cannot be sampled."""

    def g(s):
        low, high = (s.abs() - VOXEL / 2).clamp(min=half), (s.abs() + VOXEL / 2).clamp(min=half)
        inside = (half - (s.abs() - VOXEL / 2)).clamp(0, VOXEL)
        beyond = (high - torch.sqrt(high**2 - half**2)) - (low - torch.sqrt(low**2 - half**2))
        mean = (inside + beyond) / VOXEL
        return mean if signed else mean.clamp(min=0)

    return g


def test_disc():
    """-0.3416 at 1.5 a, -0.1547 at 2 a; D is 1 inside and 0 outside. Tolerance 1 %: the pole at the edge, a column
    wide here, is felt along its whole tangent."""
    s = torch.tensor([6.0, 8.0], dtype=torch.float64)
    torch.testing.assert_close(disc(4.0)(s), torch.tensor([-0.3416, -0.1547]).double(), rtol=0, atol=1e-4)
    a = slice_of(R, VOXEL, angles=1440)
    dose, r = shine(a, disc(4.0)), a.grid.radius_mm()
    assert float((dose[r < 4 - 0.15] - 1).abs().max()) < 0.01
    outside = (r > 4 + 0.3) & (r < R - 0.1)
    assert float(dose[outside].abs().max()) < 0.03
    assert abs(float(dose[outside].mean())) < 0.003


def test_disc_without_its_negative_light_is_the_strip():
    a = slice_of(R, VOXEL, angles=360)
    strip = shine(a, lambda s: (s.abs() < 4).double())
    torch.testing.assert_close(shine(a, disc(4.0, signed=False)), strip, rtol=0, atol=1e-12)


def test_annulus_is_one_disc_less_another():
    """0, s / sqrt(s2 - a2), s / sqrt(s2 - a2) - s / sqrt(s2 - b2): dark hole, lit ring, dark outside."""
    a = slice_of(R, VOXEL, angles=1440)
    dose, r = shine(a, lambda s: disc(6.0)(s) - disc(4.0)(s)), a.grid.radius_mm()
    assert float(dose[r < 4 - 0.15].abs().max()) < 0.01
    assert float((dose[(r > 4.3) & (r < 5.7)] - 1).abs().mean()) < 0.01
    assert abs(float(dose[(r > 6.3) & (r < R - 0.1)].mean())) < 0.003


def test_ramp_taps():
    """g = pi / tau * ramp(p), the ramp of Kak & Slaney (1988, eq. 61) at unit spacing: of a disc of radius 1 in columns
    of 0.01, 0.99984 at the centre."""
    tau, n = 0.01, torch.arange(-400, 401, dtype=torch.float64)
    p = 2 * torch.sqrt((1 - (n * tau).square()).clamp(min=0))
    g = math.pi / tau * ramp(p[None, :, None])[0, :, 0]
    assert float(g[400]) == pytest.approx(0.99984, abs=5e-6)


def test_absorption_can_be_undone():
    """A Gaussian, sigma = 1, mu = 0.5/mm, ramp without |nu| < mu / 2 pi, shone as g exp(mu sqrt(R2 - s2)) to make up
    for the way in: D(0) = 1.00000, D(1) = 0.60653, D(3) = 0.01111; with the whole ramp D(0) = 1.1331; min g = -0.42.

    Columns and voxels of 0.05 mm average over a triangle that lowers the top by 0.05^2 / 6 each: 1e-3."""
    mu, sigma, tau = 0.5, 1.0, VOXEL

    def shone(lowest):
        nu = torch.linspace(0, 3, 60001, dtype=torch.float64)
        # transform of p(s) = sqrt(2 pi) exp(mu2 / 2) exp(-s2 / 2) is 2 pi exp(mu2 / 2 - 2 pi2 nu2)
        filtered = math.pi * nu * 2 * math.pi * math.exp(mu**2 * sigma**2 / 2) * torch.exp(-2 * (math.pi * nu) ** 2)
        filtered = torch.where(nu >= lowest, filtered, 0.0)

        def g(s):
            wave = torch.cos(2 * math.pi * nu[None, :] * s[:, None])
            return 2 * torch.trapezoid(filtered * wave, nu, dim=1)

        return g

    g = shone(mu / (2 * math.pi))
    s = torch.arange(-8, 8, tau, dtype=torch.float64)
    assert float(g(s).min()) == pytest.approx(-0.42, abs=0.005)
    a = slice_of(8.0, VOXEL, angles=720, odd=True, absorption=mu)
    n = a.grid.shape[0] // 2

    def dose(g):
        return shine(a, lambda s: g(s) * torch.exp(mu * torch.sqrt((64 - s * s).clamp(min=0))))

    right = dose(g)
    for r, wanted in ((0.0, 1.0), (1.0, 0.60653), (3.0, 0.01111)):
        assert wanted == pytest.approx(math.exp(-r * r / 2), abs=5e-6)
        assert float(right[n + round(r / VOXEL), n]) == pytest.approx(wanted, abs=1e-3)
    assert float(dose(shone(0.0))[n, n]) == pytest.approx(1.1331, abs=1e-3)
