"""A key in another unit is answered with ours and the factor."""

import math
import re

import pytest

from lightlathe.errors import JobError
from lightlathe.job import parse_job
from lightlathe.job.bounds import BY_UNIT
from lightlathe.job.meant import UNITS

# what one of a unit is in a coherent system of metre, kilogram and second (BIPM, The International System of Units)
SI = {
    "per_cm": 1e2, "per_mm": 1e3, "per_m": 1.0, "per_um": 1e6, "w_m2": 1.0, "w_cm2": 1e4, "uw_cm2": 1e-2, "mw_mm2": 1e3,
    "mw_cm2": 10.0, "j_cm3": 1e6, "mj_cm3": 1e3, "j_m3": 1.0, "mj_mm3": 1e6, "kj_m3": 1e3, "um": 1e-6, "mm": 1e-3,
    "cm": 1e-2, "m": 1.0, "inch": 0.0254, "nm": 1e-9, "ms": 1e-3, "s": 1.0, "min": 60.0, "rad": 1.0,
    "deg": math.pi / 180, "mpa_s": 1e-3, "pa_s": 1.0, "g_cm3": 1e3, "kg_m3": 1.0, "mol_l": 1e3, "mol_m3": 1.0,
}  # fmt: skip


def test_every_unit_of_ours_is_one_that_jobs_have():
    assert {ours for _, ours, _ in UNITS} <= set(BY_UNIT)


# an exposure is no dose in another unit
@pytest.mark.parametrize(("theirs", "ours", "words"), [u for u in UNITS if u[0] != "_mj_cm2"], ids=lambda v: str(v)[:8])
def test_each_factor_is_right(theirs, ours, words):
    number = float((re.findall(r"[\d.]+", words) or ["1"])[0])
    factor = 1 / number if "divide" in words else number
    assert SI[theirs[1:]] / SI[ours[1:]] == pytest.approx(factor, rel=1e-4)


@pytest.mark.parametrize(
    ("ours", "came", "words"),
    [
        ("irradiance_mw_cm2", "irradiance_W_m2", "Then: divide the number by 10."),
        ("irradiance_mw_cm2", "irradiance_w_m2", "Then: divide the number by 10."),
        ("irradiance_mw_cm2", "irradiance_mW_cm2", "'?\n"),
        ("absorption_per_mm", "absorption_per_cm", "Then: divide the number by 10."),
        ("absorption_per_mm", "absorbtion_per_cm", "Then: divide the number by 10."),
        ("absorption_per_mm", "absorption_per_m", "Then: divide the number by 1000."),
        ("absorption_per_mm", "penetration_depth_mm", "Then: 1 / penetration depth in mm."),
        ("liquid_below_mj_cm3", "liquid_below_mj_cm2", "times the absorption in 1/cm is a dose"),
        ("solid_above_mj_cm3", "solid_above_J_cm3", "Then: multiply the number by 1000."),
        ("pixel_mm", "pixel_um", "Then: divide the number by 1000."),
        ("voxel_mm", "voxel_um", "Then: divide the number by 1000."),
        ("inner_diameter_mm", "inner_radius_mm", "Then: twice the number."),
        ("inner_diameter_mm", "radius_mm", "Then: twice the number."),
        ("resin_height_mm", "resin_height_cm", "Then: multiply the number by 10."),
        ("radius_mm", "diameter_mm", "Then: half the number."),
        ("seconds_per_turn", "rpm", "Then: 60 / turns per minute."),
        ("irradiance_mw_cm2", "iradiance_mw_cm2", "'?\n"),
        ("absorption_per_mm", "absorption_mm", "'?\n"),
    ],
)
def test_the_key_and_the_factor_are_named(ours, came, words, small_job, tmp_path):
    text = small_job()
    assert ours in text
    with pytest.raises(JobError) as caught:
        parse_job(re.sub(rf"\b{ours}\b", came, text, count=1), name="t", folder=tmp_path, file="t.toml")
    said = str(caught.value)
    assert f"unknown key '{came}'. Did you mean '{ours}'?" in said
    assert words in said


def test_another_wavelength(small_job, tmp_path):
    text = small_job().replace("irradiance_mw_cm2 = 20", "irradiance_mw_cm2 = 20\nwavelength_um = 0.4")
    with pytest.raises(JobError, match=r"Did you mean 'wavelength_nm'\? Then: multiply the number by 1000\."):
        parse_job(text, name="t", folder=tmp_path)


def test_what_is_like_nothing_gets_no_hint(small_job, tmp_path):
    for came in ("q_um", "zzz", "_m", "x" * 5000 + "_um"):
        text = small_job().replace("irradiance_mw_cm2 = 20", f"irradiance_mw_cm2 = 20\n{came} = 1")
        with pytest.raises(JobError) as caught:
            parse_job(text, name="t", folder=tmp_path)
        assert "Then:" not in str(caught.value)
