"""Diffraction in the check: against a slit's far field worked out as a sum of waves, and published apertures."""

import cmath
import math

import pytest

from lightlathe.cli.main import main
from lightlathe.errors import JobError
from lightlathe.feasibility import check
from lightlathe.feasibility.optics import aperture_for, finest_mm, spread_mm
from lightlathe.job import parse_job


def test_a_slit_goes_dark_where_the_formula_says():
    """Waves from 400 points across a slit of 3 um, met 1.5 mm on: the first zero lies lambda z / (n p) off the middle
    (Huygens' principle, summed here; 2 %: paths are taken as they are, not to first order)."""
    wave_mm, width, away = 405e-6 / 1.5, 0.003, 1.5

    def light(x):
        points = [width * ((i + 0.5) / 400 - 0.5) for i in range(400)]
        return abs(sum(cmath.exp(2j * math.pi / wave_mm * math.hypot(away, x - p)) for p in points)) ** 2

    places = [0.0005 * step for step in range(200, 340)]  # around the zero that is expected at 0.135 mm
    dark = min(places, key=light)
    assert light(dark) < 1e-3 * light(0.0)
    assert spread_mm(405, 1.5, width, away) == pytest.approx(0.135)
    assert dark == pytest.approx(spread_mm(405, 1.5, width, away), rel=0.02)


def test_published_values():
    """0.61 lambda / NA: 4.94 um at NA 0.05 and 405 nm. Over 10 mm either way from its waist a beam that is sqrt(2)
    wider at the ends has a waist of 29.3 um (sqrt(lambda L / 2 pi n), L = 20 mm, n = 1.5): as wide as a line that
    spreads over itself, to a factor of sqrt(pi)."""
    assert aperture_for(405, 0.00494) == pytest.approx(0.05, rel=2e-3)  # three digits are published
    assert finest_mm(405, 1.5, 10.0) / math.sqrt(math.pi) == pytest.approx(0.0293, rel=2e-3)
    p = finest_mm(405, 1.5, 10.0)
    assert spread_mm(405, 1.5, p, 10.0) == pytest.approx(p)


def diffraction(text, tmp_path):
    job = parse_job(text, name="t", folder=tmp_path)
    (reason,) = check(job).of("diffraction")
    return reason


MICRO = """
[part]
shape = { kind = "cylinder", radius_mm = 1.0, height_mm = 0.3 }
[vial]
inner_diameter_mm = 3
resin_height_mm = 3
[resin]
absorption_per_mm = 0.3
liquid_below_mj_cm3 = 40
solid_above_mj_cm3 = 44
[light]
pixel_mm = 0.003
columns = 1000
rows = 110
irradiance_mw_cm2 = 20
wavelength_nm = 405
[turn]
angles = 1000
seconds_per_turn = 60
[grid]
voxel_mm = 0.03
"""


def test_pixels_of_3_um_in_a_vial_of_3_mm_are_not_all_right(tmp_path, monkeypatch, capsys):
    """lambda z / (n p) = 405 nm * 1.5 mm / (1.5 * 3 um) = 135 um at the wall, 45 pixels; 30 at the part's edge."""
    reason = diffraction(MICRO, tmp_path)
    assert reason.level == "marginal"
    assert reason.number == pytest.approx(30)
    assert "a line of 3 um spreads over 45 pixels at the wall and 30 at the part's edge" in reason.text
    assert "pixels of 17 um or more" in reason.change  # sqrt(405 nm * 1 mm / 1.5) = 16.43 um
    mended = MICRO.replace("pixel_mm = 0.003", "pixel_mm = 0.017").replace("columns = 1000", "columns = 184")
    assert diffraction(mended, tmp_path).level == "will work"
    (tmp_path / "micro.toml").write_text(MICRO)
    monkeypatch.chdir(tmp_path)
    assert main(["check", "micro.toml"]) == 3
    assert "watch   diffraction: " in capsys.readouterr().out


def test_wavelength_and_index_are_used(tmp_path):
    """Neither was: each now moves the number as lambda / n does. Without a wavelength that is said."""
    plain = diffraction(MICRO, tmp_path).number
    longer = diffraction(MICRO.replace("405", "532"), tmp_path)
    assert longer.number / plain == pytest.approx(532 / 405)
    water = diffraction(MICRO.replace("[light]", "refractive_index = 1.33\n[light]"), tmp_path)
    assert water.number / plain == pytest.approx(1.5 / 1.33)
    assert "n = 1.33" in water.text
    unsaid = diffraction(MICRO.replace("wavelength_nm = 405", ""), tmp_path)
    assert unsaid.number == plain
    assert "not given, so assumed: wavelength_nm in [light], refractive_index in [resin])" in unsaid.text
    assert "assumed" not in water.text


def test_one_wavelength_in_a_job(tmp_path):
    resin = 'kind = "inhibited"\nabsorption_per_mm = 0.3\nwavelength_nm = 450\nplanned_exposure_s = 30\n'
    head, rest = MICRO.split("[resin]")
    text = head + "[resin]\n" + resin + "[light]" + rest.split("[light]")[1]
    with pytest.raises(JobError, match=r"405 in \[light\] and 450 in \[resin\]"):
        parse_job(text, name="t", folder=tmp_path)
    alone = diffraction(text.replace("wavelength_nm = 405", ""), tmp_path)
    assert "at 450 nm" in alone.text
    with pytest.raises(JobError, match="Is it in um"):
        parse_job(MICRO.replace("wavelength_nm = 405", "wavelength_nm = 0.405"), name="t", folder=tmp_path)
