"""Refraction into a round vial, against published formulas and against tracing rays by vectors."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
import torch

from lightlathe.beams import RoundVial, Telecentric, full_turn, seen_from
from lightlathe.job.vial import Vial
from round_vial_rays import traced

THICK = RoundVial(11.0, 12.5, 1.0, 1.473, 1.5)  # a glass vial of 25 mm in air
THIN = RoundVial(1.0, 1.0, 1.0, 1.0, 1.5)


def of(*values):
    return torch.tensor(values, dtype=torch.float64)


def chords(vial: Vial, index: float = 1.5, **beam):
    resin = SimpleNamespace(refractive_index=index, absorption_per_mm=0.1)
    given = {"angle_rad": full_turn(8), "columns": 40, "rows": 3, "pixel_mm": 0.31, "axis_offset_mm": 0.07}
    return Telecentric(**beam).chords(**given, vial=vial, resin=resin)


def test_offsets_by_bouguer():
    """d = s n1 / n2 whatever the wall: 6 mm becomes 4 mm (Bouguer's law; Born & Wolf, section 3.2)."""
    assert 6.0 * THICK.narrowing == pytest.approx(4.0)
    assert 10.9 * THICK.narrowing == pytest.approx(7.2667, abs=1e-4)


def test_deflections():
    """Snell's law at both surfaces, worked by hand with a calculator's arcsines; grazing is 90 - asin(1 / 1.5)."""
    thick = THICK.deflection_rad(of(6.0, 10.9, -6.0)).rad2deg()
    torch.testing.assert_close(thick, of(10.0779, 25.3244, -10.0779), rtol=0, atol=1e-4)
    thin = THIN.deflection_rad(of(0.3, 0.6, 1.0)).rad2deg()
    torch.testing.assert_close(thin, of(5.9206, 13.2917, 90 - math.degrees(math.asin(1 / 1.5))), rtol=0, atol=1e-4)


def test_fresnel():
    """R_s and R_p from air into n = 1.5 (Fresnel's equations; at 45 degrees R_p = R_s^2), and none of p at Brewster's
    angle, whose tangent is n. Normal incidence ((n1 - n2) / (n1 + n2))^2, at both surfaces of a wall."""
    s = of(0.5, math.sqrt(0.5), 0.9, 0.99)
    senkrecht, parallel = (1 - THIN.transmittance(s, p) for p in ("along_axis", "across_axis"))
    torch.testing.assert_close(senkrecht, of(0.05780, 0.09201, 0.21817, 0.604), rtol=0, atol=5e-4)
    torch.testing.assert_close(parallel, of(0.02525, 0.00847, 0.01011, 0.314), rtol=0, atol=5e-4)
    assert float(parallel[1]) == pytest.approx(float(senkrecht[1]) ** 2)
    brewster = math.sin(math.atan(1.5))
    assert float(THIN.transmittance(of(brewster), "across_axis")) == pytest.approx(1, abs=1e-12)
    normal = (1 - (0.473 / 2.473) ** 2) * (1 - (0.027 / 2.973) ** 2)
    assert float(THICK.transmittance(of(0.0))) == pytest.approx(normal, rel=1e-12)


def test_mean_over_the_width():
    """0.93202 of unpolarised light that meets a thin vial of n = 1.5 enters: the mean of Fresnel's T over the width."""
    s = (torch.arange(200_000, dtype=torch.float64) + 0.5) / 200_000
    assert float(THIN.transmittance(s).mean()) == pytest.approx(0.93202, abs=1e-5)


def test_polarisations_are_averaged_behind_both_surfaces():
    """Not at each: the light that has passed one surface is polarised."""
    s, vial = of(10.0), RoundVial(11.0, 12.5, 1.0, 1.8, 1.5)
    both = (vial.transmittance(s, "along_axis") + vial.transmittance(s, "across_axis")) / 2
    torch.testing.assert_close(vial.transmittance(s), both)
    inner = RoundVial(11.0, 11.0, 1.8, 1.0, 1.5).transmittance(s / 1.8)  # of the inner surface alone
    outer = RoundVial(12.5, 12.5, 1.0, 1.0, 1.8).transmittance(s)
    assert abs(float(both / (inner * outer)) - 1) > 1e-4


@pytest.mark.parametrize(
    ("vial", "addressable"),
    [
        (THICK, 12.5 / 1.5),
        (THIN, 1 / 1.5),
        (RoundVial(1.0, 1.6, 1.0, 1.5, 1.5), 1.0),  # a thick wall lets light reach all of the resin
        (RoundVial(1.0, 1.2, 1.4, 1.3, 1.5), 1.3 / 1.5),  # a wall of low index: beyond, light stays in it
        (RoundVial(1.0, 1.1, 1.6, 1.55, 1.5), 1.0),  # a bath above the resin's index
    ],
)
def test_light_reaches_up_to_the_addressable_offset(vial, addressable):
    """S = min(R_i, R_o n1 / n2): columns within enter, columns beyond carry no light and their chords stay finite."""
    assert vial.addressable_mm == pytest.approx(addressable)
    edge = addressable / vial.narrowing
    s = of(0.999 * edge, 1.001 * edge, 2 * edge)
    assert (vial.transmittance(s) > 0).tolist() == [True, False, False]
    assert bool(vial.deflection_rad(s).isfinite().all())


def test_directions_that_a_rim_is_seen_from():
    """(2 / pi) asin(S / r) beyond S: 46.5 % at the wall of a thin vial, 54.7 % of the thick one; counted as well."""
    assert seen_from(1.0, THIN.addressable_mm) == pytest.approx(0.465, abs=5e-4)
    assert seen_from(11.0, THICK.addressable_mm) == pytest.approx(0.547, abs=5e-4)
    assert seen_from(0.6, THIN.addressable_mm) == 1
    counted = np.mean(np.abs(0.8 * np.sin(np.linspace(0, 2 * np.pi, 100_000, endpoint=False))) < 1 / 1.5)
    assert seen_from(0.8, THIN.addressable_mm) == pytest.approx(counted, abs=1e-4)


@pytest.mark.parametrize("seed", range(20))
def test_rays_traced_by_vectors(seed):
    """Offset, deflection and both transmittances of random vials against rays traced in vector form, no code shared."""
    random = np.random.default_rng(seed)
    inner, outside, wall, resin = random.uniform(2, 12), *random.uniform(1, 1.7, 3)
    vial = RoundVial(inner, inner * random.uniform(1.001, 1.5), outside, wall, resin)
    s = random.uniform(-1, 1, 50) * vial.addressable_mm / vial.narrowing
    rays = traced(s, vial.inner_mm, vial.outer_mm, outside, wall, resin)
    found = torch.from_numpy(s)
    np.testing.assert_allclose((found * vial.narrowing).numpy(), rays.offset, atol=1e-9)
    np.testing.assert_allclose(vial.deflection_rad(found).numpy(), rays.deflection, atol=1e-7)
    np.testing.assert_allclose(vial.transmittance(found, "along_axis").numpy(), rays.along_axis, atol=1e-7)
    np.testing.assert_allclose(vial.transmittance(found, "across_axis").numpy(), rays.across_axis, atol=1e-7)


def test_equal_indices_are_the_matched_case_bit_for_bit():
    wanted = chords(Vial(10.0, 10.0))
    for same in (
        Vial(10.0, 10.0, surroundings="matched"),
        Vial(10.0, 10.0, surroundings=1.5, wall_mm=1.0, wall_index=1.5),
        Vial(10.0, 10.0, surroundings=1.5, wall_mm=0.0),
    ):
        found = chords(same)
        assert not found.crossing
        for name in ("offset_mm", "deflection_rad", "transmittance"):
            assert torch.equal(getattr(found, name), getattr(wanted, name))


def test_nearly_equal_indices_are_nearly_the_matched_case():
    found, wanted = chords(Vial(20.0, 10.0, surroundings=1.5 + 1e-9, wall_mm=0.0)), chords(Vial(20.0, 10.0))
    for name in ("offset_mm", "deflection_rad", "transmittance"):
        torch.testing.assert_close(getattr(found, name), getattr(wanted, name), rtol=0, atol=1e-6)


def test_chords_of_a_bare_vial():
    """Columns lie n1 / n2 as far from the axis, their power is kept but for what is reflected, and an axis that is off
    is off before the light is refracted. Those that miss the vial are dark."""
    vial = Vial(10.0, 10.0, surroundings="air", wall_mm=0.5, wall_index=1.48)
    found = chords(vial)
    column = (torch.arange(40, dtype=torch.float64) - 19.5) * 0.31 + 0.07
    torch.testing.assert_close(found.offset_mm, column / 1.5)
    assert found.crossing
    assert found.row_mm == 0.31
    misses = column.abs() > 5.5 + 0.31 / 2
    assert bool(misses.any())
    assert torch.equal(found.transmittance == 0, misses)
    inside = (RoundVial.of(vial, SimpleNamespace(refractive_index=1.5)).transmittance(column) * 1.5)[8:-8]
    torch.testing.assert_close(found.transmittance[8:-8], inside, rtol=1e-3, atol=0)  # a mean over the pixel
    polarised = chords(vial, polarisation="across_axis").transmittance
    assert bool((polarised[8:-8] > found.transmittance[8:-8] - 1e-6).all())  # the field across reflects less
