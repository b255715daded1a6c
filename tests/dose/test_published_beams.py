"""Rotating beams without and with absorption, against closed forms.

A beam g(s) that shows at every angle leaves D(r) = (2/pi) * integral over 0..r of
g(s) exp(-mu sqrt(R2-s2)) cosh(mu sqrt(r2-s2)) / sqrt(r2-s2) ds: each point sees s twice in a turn, at depths mirrored
in the axis. The rows below are that integral where it is elementary (Abel transform; S. R. Deans, The Radon Transform
and Some of Its Applications, 1983, for mu = 0). The numbers quoted were integrated independently.
"""

import math
from itertools import pairwise

import pytest
import torch
from vial import ring_means, shine, slice_of

R = 10.0
# Columns and voxels of 0.05 mm blur by a voxel or so: half a percent at places two voxels and more from an edge.
HALF_PERCENT = 5e-3


def one_column(a, s0):
    """Light of unit power at s0 alone, which must be a column's place.

    With 1440 angles the rim moves less than a pixel from one to the next (pi * columns angles a turn at least).
    """
    at = (a.optics.chords.offset_mm - s0).abs() < 1e-9
    assert int(at.sum()) == 1
    return lambda s: at.double() / a.grid.voxel_mm


def close(a, dose, formula, *places):
    """Rings of four voxels' width about each place agree with the formula."""
    for r in places:
        found, wanted = ring_means(a, dose, formula, r - 0.1, r + 0.1)
        assert found == pytest.approx(wanted, rel=HALF_PERCENT), r


def thin(mu, s0):
    def formula(r):
        h = torch.sqrt(r.square() - s0**2)
        return math.exp(-mu * math.sqrt(R * R - s0**2)) * torch.cosh(mu * h) / (math.pi * h)

    return formula


def strip(half):
    return lambda r: 2 / math.pi * torch.asin((half / r).clamp(max=1))


def value(formula, r) -> float:
    return float(formula(torch.tensor(float(r), dtype=torch.float64)))


@pytest.mark.parametrize(
    ("absorption", "s0", "places", "numbers"),
    [
        (0.0, 3, (3.5, 5.05, 9.05), {5.05: 0.07836}),
        (0.2, 3, (3.5, 5.05, 9.05), {5.05: 0.01568, 9.05: 0.01576}),
        (0.0, 0, (1.0, 3.0, 8.0), {}),
        (0.2, 0, (1.0, 3.0, 8.0), {}),
    ],
)
def test_thin_beam(absorption, s0, places, numbers):
    """1 / (pi sqrt(r2 - s0^2)) outside s0, exactly nothing inside; in absorbing resin times exp(-mu sqrt(R2 - s0^2))
    cosh(mu sqrt(r2 - s0^2)). Through the axis it is the kernel of unfiltered back-projection."""
    formula = thin(absorption, s0)
    for r, number in numbers.items():
        assert value(formula, r) == pytest.approx(number, abs=5e-6)
    a = slice_of(R, 0.05, angles=1440, odd=True, absorption=absorption)
    dose = shine(a, one_column(a, s0))
    assert not dose[a.grid.radius_mm() < s0 - 0.05].any()
    close(a, dose, formula, *places)


def test_strip():
    """Light over |s| < a: 1 for r < a, (2/pi) asin(a / r) outside: 0.7264, 0.4646, 1/3 at 1.1, 1.5 and 2 a."""
    for r, wanted in ((1.1, 0.7264), (1.5, 0.4646), (2.0, 1 / 3)):
        assert value(strip(1), r) == pytest.approx(wanted, abs=5e-5)
    a = slice_of(R, 0.05)
    dose = shine(a, lambda s: (s.abs() < 4).double())
    assert float((dose[a.grid.radius_mm() < 4 - 0.1] - 1).abs().max()) < 1e-12
    close(a, dose, strip(4), 4.4, 6.0, 8.0)


@pytest.mark.parametrize(("threshold", "jaccard"), [(0.9, 0.9755), (0.8, 0.9045), (0.5, 0.5)])
def test_strip_and_threshold(threshold, jaccard):
    """Resin that gels at `threshold` of the plateau prints a disc of radius a / sin(pi t / 2), not a: Jaccard
    sin^2(pi t / 2) with the disc meant. Projector, turn, threshold and measure in one."""
    a = slice_of(R, 0.05)
    r, wanted = a.grid.radius_mm(), math.sin(math.pi * threshold / 2) ** 2
    assert wanted == pytest.approx(jaccard, abs=5e-5)
    solid, meant = shine(a, lambda s: (s.abs() < 4).double()) >= threshold, r < 4
    radius = math.sqrt(float(solid.sum()) * 0.05**2 / math.pi)
    # the edge's place is known to a part of a voxel of 0.05 mm
    assert radius == pytest.approx(4 / math.sin(math.pi * threshold / 2), abs=0.02)
    found = float((solid & meant).sum()) / float((solid | meant).sum())
    assert found == pytest.approx(wanted, abs=2 * 0.02 / 4)  # areas go with the radius squared


def test_annular_strip():
    """Light over a < |s| < b, a = 4, b = 6: 0, then (2/pi) acos(a/r), beyond b (2/pi) (asin(b/r) - asin(a/r)).

    For a = 1, b = 1.5: D(1.5) = 0.5354, D(2) = 0.2066."""

    def annulus(inner, outer):
        return lambda r: strip(outer)(r) - strip(inner)(r)

    assert value(annulus(1, 1.5), 1.5) == pytest.approx(0.5354, abs=5e-5)
    assert value(annulus(1, 1.5), 2.0) == pytest.approx(0.2066, abs=5e-5)
    assert value(annulus(4, 9), 5.0) == pytest.approx(2 / math.pi * math.acos(4 / 5), rel=1e-12)
    a = slice_of(R, 0.05)
    dose = shine(a, lambda s: ((s.abs() > 4) & (s.abs() < 6)).double())
    assert not dose[a.grid.radius_mm() < 4 - 0.1].any()
    close(a, dose, annulus(4, 6), 5.0, 5.8, 6.5, 8.0, 9.5)


def test_light_budget():
    """Beyond all beams the mean dose round a circle is the angle-mean of the integral of g(s) / (pi sqrt(r2 - s2)),
    so at least P / (pi r), P the mean power: no choice of non-negative patterns can darken the outside further."""
    a = slice_of(R, 0.1, angles=360)
    s = a.optics.chords.offset_mm
    g = torch.rand(a.pattern_shape, generator=torch.Generator().manual_seed(1), dtype=torch.float64)
    g = g * (s.abs() < 4)[None, :, None]
    dose, power = a(g)[:, :, 0], g.mean(0)[:, 0] * 0.1

    def exact(r):
        return (power / (math.pi * torch.sqrt(r[:, None].square() - s.clamp(-4, 4).square()))).sum(1)

    close(a, dose, exact, 6.0, 8.0, 9.8)
    for r in (6.0, 8.0, 9.8):
        assert ring_means(a, dose, exact, r - 0.1, r)[0] > float(power.sum()) / (math.pi * r)


def test_halving_the_voxel_halves_the_error_and_more():
    """Strip, angles doubled with the voxels; without the voxels within 0.8 mm of its edge, where the slope is infinite.

    Light edges are linear over one voxel, an error of the second order: 1/4 each time, and some noise of the raster."""
    errors = []
    for voxel in (0.4, 0.2, 0.1, 0.05):
        a = slice_of(R, voxel, angles=round(72 / voxel))
        r = a.grid.radius_mm()
        judged = ((r - 4).abs() > 0.8) & (r < R)
        errors.append(float((shine(a, lambda s: (s.abs() < 4).double()) - strip(4)(r)).abs()[judged].mean()))
    for coarse, fine in pairwise(errors):
        assert fine < 0.5 * coarse, errors
