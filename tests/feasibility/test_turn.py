"""What the check says of the turn: how many images, their smear, and what happens while the vial turns."""

import math
import re

import pytest
from good_case import changed, only, verdict

from lightlathe.feasibility.side_effects import cooling_s, curing_heat_k, light_heat_k, sinking_mm_s
from lightlathe.judge.turning import smear_mm
from lightlathe.support.words import amount


def test_no_contrast_is_kept_beyond_two_pixels_of_smear():
    """Between 2 and 4 pixels the lines come out in their own gaps."""
    for angles, left in ((130, "3 %"), (120, "none"), (90, "none"), (60, "none")):
        text = only(verdict(angles=angles), "turn").text
        assert f"lines a pixel wide keep {left} of their contrast" in text


def test_full_sharpness_by_the_sampling_rule():
    """Over 512 columns 804.2 images per half turn, 1609 a turn (Kak & Slaney 1988: pi/2 per column)."""
    text = only(verdict(radius_mm=4.0, pixel_mm=8.0 / 512, columns=512), "turn").text
    assert "512 columns takes 1609 images)" in text


@pytest.mark.parametrize("motion", ["continuous", "stepped"])
def test_the_images_advised_are_those_of_the_sampling_rule(motion):
    """One number for one rule; half as many where a step of two pixels will do."""
    turn = only(verdict(angles=100, motion=motion), "turn")
    assert "80 columns takes 252 images" in turn.text  # 80 pi = 251.3
    assert re.findall(r"(\d+) images a turn or more", turn.change) == (
        ["252", "126"] if motion == "continuous" else ["126"]
    )


def test_pixels_that_refraction_narrows_are_said_to_be():
    assert "in the resin" not in only(verdict(), "turn").text
    bare = {"surroundings": "air", "wall_mm": 0.0, "refractive_index": 1.5}
    case = changed(**bare)
    each = amount(0.1 * case.narrowing)
    assert case.narrowing < 0.9
    assert f"pixels (a pixel is {each} mm in the resin) or" in only(verdict(**bare), "turn").text


def test_smear():
    """24 deg/s, 60 images a second, 10 mm from the axis: 69.8 um (r omega / f)."""
    assert smear_mm(10.0, math.radians(24), 60.0) == pytest.approx(0.0698, abs=5e-5)


def test_a_part_sinks_while_the_vial_turns():
    """Half of one turn where the light needs less, half of the time allowed where it needs more; both are said."""
    bright, dim = only(verdict(irradiance_mw_cm2=4000.0), "sinking"), only(verdict(irradiance_mw_cm2=0.002), "sinking")
    assert "more than a pixel in 6 s, half of a likely exposure" in bright.text
    assert "in 12 h, half of the longest exposure allowed" in dim.text
    assert dim.limit / bright.limit == pytest.approx(12 * 3600 / 6)
    stirred = only(verdict(irradiance_mw_cm2=4000.0, viscosity_pa_s=bright.limit / 3, angles=60), "sinking")
    assert stirred.change.startswith("a turn of 4 s, or a resin of")  # which needs no more light: 4000 is far too much
    fast = only(verdict(irradiance_mw_cm2=4000.0, viscosity_pa_s=bright.limit / 3, angles=360), "sinking")
    assert fast.change.startswith("a resin of")  # 90 images a second are more than a video projector shows


def test_sinking_by_stokes():
    """Radius 1 mm, 50 kg/m3, 1 Pa s: 0.109 mm/s, so 3.3 mm in 30 s (Stokes' law, worked in the reference values)."""
    assert sinking_mm_s(1.0, 50.0, 1.0) == pytest.approx(0.109, abs=5e-4)
    assert 30 * sinking_mm_s(1.0, 50.0, 1.0) == pytest.approx(3.3, abs=0.05)
    assert 30 * sinking_mm_s(1.0, 50.0, 10.0) == pytest.approx(0.33, abs=0.005)


def test_heat():
    """5 kmol/m3, 80 kJ/mol, 30 %: 64 K; 3 kJ/m2 at 100/m: 0.16 K; 10 mm cool in 173 s (same source)."""
    assert curing_heat_k(5000.0, 0.30) == pytest.approx(64, abs=0.5)
    assert light_heat_k(300.0) == pytest.approx(0.16, abs=0.005)  # 3 kJ/m2 * 100/m = 300 kJ/m3 = 300 mJ/cm3
    assert cooling_s(10.0) == pytest.approx(173, abs=0.5)
