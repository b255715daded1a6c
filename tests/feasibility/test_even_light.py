"""Even light in an absorbing vial against tabulated values and independent integration."""

import math

import numpy as np
import pytest
from scipy import integrate

from lightlathe.feasibility.even_light import centre, depth_where, edge, mean_within, profile

# mu R: centre, half-way, edge, mean. Source: the project's reference values 1.2, from independent numerical
# integration to 5 digits; the forms are modified Struve and Bessel functions.
TABLE = {
    0.1: (0.90484, 0.91139, 0.94107, 0.91990),
    0.5: (0.60653, 0.63666, 0.77791, 0.67679),
    1.0: (0.36788, 0.41746, 0.67108, 0.48788),
    2.0: (0.13534, 0.19350, 0.58544, 0.29509),
    3.0: (0.04979, 0.09675, 0.55498, 0.20564),
    5.0: (0.00674, 0.02765, 0.53219, 0.12600),
}


@pytest.mark.parametrize("a", TABLE)
def test_table(a):
    found = centre(a), profile(a, 0.5), edge(a)
    assert found == pytest.approx(TABLE[a][:3], abs=6e-6)  # the table's last digit
    assert mean_within(a, 1.0) == pytest.approx(TABLE[a][3], abs=6e-5)  # 24 nodes


@pytest.mark.parametrize(("a", "share"), [(0.5, 0.5315), (1.0, 0.7664), (2.0, 0.9271), (5.0, None), (30.0, None)])
def test_energy_is_conserved(a, share):
    """What is absorbed, mu times the mean over the vial, is what enters less what leaves along chords of 2 sqrt(1 - s2)
    radii, integrated here; three shares from the same source."""
    passed = integrate.quad(lambda s: math.exp(-2 * a * math.sqrt(1 - s * s)), 0, 1)[0]
    absorbed = a * math.pi / 2 * mean_within(a, 1.0)
    assert absorbed == pytest.approx(1 - passed, rel=2e-3 if a > 10 else 2e-4)  # 24 nodes, steep at the wall
    assert share is None or absorbed == pytest.approx(share, abs=6e-5)


def test_depths_under_a_dark_wall():
    """Large mu R: half the wall's dose at 0.365 / mu, 1/e at 0.576 / mu (source: same): thinner than 1 / mu."""
    a = 2000.0
    assert a * depth_where(a, 0.5) == pytest.approx(0.365, abs=6e-4)
    assert a * depth_where(a, math.exp(-1)) == pytest.approx(0.576, abs=2e-3)  # the flat-wall limit, off by 1/a


def test_no_ring_where_light_reaches_the_axis():
    assert math.isnan(depth_where(0.5, 0.5))


@pytest.mark.parametrize("a", [0.3, 2.0, 9.9, 10.1, 60.0])
@pytest.mark.parametrize("radius", [0.0, 0.3, 0.9, 0.999, 1.0])
def test_against_adaptive_quadrature(a, radius):
    """scipy's adaptive quadrature of the mean over directions, with the kink of the wall's grazing ray given to it."""

    def ray(angle):
        s, t = radius * math.cos(angle), radius * math.sin(angle)
        return math.exp(-a * (math.sqrt(max(0.0, 1 - s * s)) + t)) / math.pi

    expected, _ = integrate.quad(ray, -math.pi / 2, math.pi / 2, points=[0.0], limit=400, epsabs=1e-12, epsrel=1e-10)
    found = edge(a) if radius == 1 else profile(a, radius)
    assert found == pytest.approx(expected, rel=2e-7)  # the series beyond 2a = 20 is good to 1e-7


def test_near_the_axis():
    """D/D(0) = 1 + mu^2 r^2 / 4 + mu r^2 / (4 R): 1.0050 at mu R = 1, r = 0.1 R (source: same)."""
    assert profile(1.0, 0.1) / centre(1.0) == pytest.approx(1.0050, abs=5e-5)


@pytest.mark.parametrize("a", [0.5, 3.0, 30.0])
def test_mean_within(a):
    assert mean_within(a, 1e-6) == pytest.approx(centre(a), rel=1e-5)
    assert np.all(np.diff([mean_within(a, r) for r in (0.2, 0.5, 0.8, 1.0)]) > 0)
