"""A wide even beam in absorbing resin, against closed forms.

D(r) = (2/pi) * integral over 0..pi/2 of exp(-mu sqrt(R2 - r2 sin2)) cosh(mu r cos) (Beer-Lambert law along straight
chords); at r = R it is 1/2 (1 + I0(2 mu R) - L0(2 mu R)), its mean over the disc (I1(2 mu R) - L1(2 mu R)) / (mu R), I
the modified Bessel and L the modified Struve functions (NIST Digital Library of Mathematical Functions, chapters 10
and 11). The table's numbers were integrated independently.
"""

import math

import pytest
import torch
from scipy.integrate import quad
from scipy.special import iv, modstruve
from vial import shine, slice_of

from operators import operator

R = 10.0
# mu R: centre, r = R/2, edge, mean over the disc
TABLE = {
    0.1: (0.90484, 0.91139, 0.94107, 0.91990),
    0.5: (0.60653, 0.63666, 0.77791, 0.67679),
    1.0: (0.36788, 0.41746, 0.67108, 0.48788),
    2.0: (0.13534, 0.19350, 0.58544, 0.29509),
    3.0: (0.04979, 0.09675, 0.55498, 0.20564),
    5.0: (0.00674, 0.02765, 0.53219, 0.12600),
}
LAST_DIGIT = 6e-6  # of the table


def profile(mu: float, r: float) -> float:
    def seen(phi: float) -> float:
        return math.exp(-mu * math.sqrt(R * R - (r * math.sin(phi)) ** 2)) * math.cosh(mu * r * math.cos(phi))

    return 2 / math.pi * quad(seen, 0, math.pi / 2)[0]


@pytest.mark.parametrize("mu_r", TABLE)
def test_even_light(mu_r):
    """Centre, half radius and wall are voxel centres here, and even light has no blur: only the mean over 720 angles is
    left. At the wall its slope jumps by 2 mu R twice in a turn: 2 h2 / 12 * 2 mu R / 2 pi off (h = 2 pi / 720)."""
    kinks = 4.1e-6 * mu_r
    a = slice_of(R, 0.25, odd=True, absorption=mu_r / R)
    dose = shine(a, torch.ones_like)
    assert len(dose) == 81
    places = float(dose[40, 40]), float(dose[60, 40]), float(dose[80, 40])
    for found, table in zip(places, TABLE[mu_r], strict=False):
        assert found == pytest.approx(table, abs=LAST_DIGIT + kinks)
    assert places[0] == pytest.approx(math.exp(-mu_r), rel=1e-12)
    edge = (1 + iv(0, 2 * mu_r) - modstruve(0, 2 * mu_r)) / 2
    assert places[2] == pytest.approx(edge, abs=kinks)
    assert TABLE[mu_r][2] == pytest.approx(edge, abs=LAST_DIGIT)


@pytest.mark.parametrize("mu_r", TABLE)
def test_every_voxel_of_even_light(mu_r):
    """The profile has no elementary form; its integral is taken at each distance, one eighth of the disc."""
    a = slice_of(R, 1.0, absorption=mu_r / R)
    dose, r = shine(a, torch.ones_like), a.grid.radius_mm()
    for i in range(10, 20):
        for j in range(10, i + 1):
            if r[i, j] <= R:
                assert float(dose[i, j]) == pytest.approx(profile(mu_r / R, float(r[i, j])), abs=2e-5)  # 720 angles


@pytest.mark.parametrize("mu_r", TABLE)
def test_mean_and_absorbed_light(mu_r):
    """Energy: what is absorbed per unit height, mu times the dose over the disc, is what enters, 2 R, less what leaves
    after a chord of 2 sqrt(R2 - s2). mu R = 0.5, 1, 2: 0.5315, 0.7664, 0.9271 of the light."""
    a = slice_of(R, 0.05, angles=180, absorption=mu_r / R)
    dose = shine(a, torch.ones_like)
    # the disc in voxels of R / 200: its rim, where the dose is steepest, is cut to half a percent of the area
    mean = float(dose.sum()) * 0.05**2 / (math.pi * R**2)
    assert mean == pytest.approx((iv(1, 2 * mu_r) - modstruve(1, 2 * mu_r)) / mu_r, rel=2e-3)
    assert TABLE[mu_r][3] == pytest.approx((iv(1, 2 * mu_r) - modstruve(1, 2 * mu_r)) / mu_r, abs=LAST_DIGIT)
    absorbed = mu_r / R * mean * math.pi * R**2 / (2 * R)
    passed = quad(lambda s: math.exp(-2 * mu_r * math.sqrt(1 - s * s)), 0, 1)[0]
    assert absorbed == pytest.approx(1 - passed, rel=2e-3)
    published = {0.5: 0.5315, 1.0: 0.7664, 2.0: 0.9271}
    if mu_r in published:
        assert absorbed == pytest.approx(published[mu_r], rel=2e-3)


def test_near_the_axis():
    """D / D(0) = 1 + mu2 r2 / 4 + mu r2 / (4 R) + ...: 1.0050 at mu R = 1, r = R / 10."""
    a = slice_of(R, 0.25, odd=True, absorption=1 / R)
    dose = shine(a, torch.ones_like)
    assert float(dose[44, 40] / dose[40, 40]) == pytest.approx(1.0050, abs=6e-5)


def test_strong_absorption_lights_a_ring_thinner_than_one_over_mu():
    """At mu R = 200 the wall looks flat: D = Ki1(mu u) / pi at depth u, half the wall's 1/2 at mu u = 0.365, 1/e of it
    at 0.576. Source of Ki1: NIST Digital Library of Mathematical Functions 10.43 (repeated integrals of K0).
    The curve of the wall changes depths by about 1 / (mu R): half a percent, and one more is allowed."""
    mu, voxel = 20.0, 0.001
    n = 2 * round(R / voxel) + 1
    a = operator((n, 1, 1), voxel, angles=2400, columns=n + 2, rows=1, pixel=voxel, radius=R, absorption=mu)
    dose = a(torch.ones(a.pattern_shape, dtype=torch.float64))[:, 0, 0].flip(0)
    assert float(dose[0]) == pytest.approx(0.5, rel=0.01)
    for share, depth in ((0.5, 0.365), (math.exp(-1), 0.576)):
        below = int((dose < share * dose[0]).nonzero()[0])
        part = float((dose[below - 1] - share * dose[0]) / (dose[below - 1] - dose[below]))
        assert (below - 1 + part) * voxel * mu == pytest.approx(depth, rel=0.015)
