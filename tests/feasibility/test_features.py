"""The finest strut and gap that the check states: its formula against other computations, and against designs."""

import math

import numpy as np
import pytest
from good_case import GOOD, changed, only, verdict
from scipy.ndimage import gaussian_filter

import lightlathe as ll
from lightlathe.feasibility import case_of
from lightlathe.feasibility.features import (
    contrast,
    diffraction_sigma_mm,
    finest_feature_mm,
    sigmas_for,
    spreads_mm,
    wanted_contrast,
)
from lightlathe.flow.solids import load_solids
from lightlathe.job import job_from

WITH = {"liquid_below_mj_cm3": 35.5, "solid_above_mj_cm3": 37.0}


@pytest.mark.parametrize("ratio", [0.9, 1.2, 1.6, 2.4, 4.0])
def test_the_contrast_is_that_of_a_blurred_picture(ratio):
    """scipy's Gaussian filter over a picture of the mesh, 60 pixels a strut, periodic."""
    w = 60
    bars = (np.arange(2 * w) // w) == 0
    picture = gaussian_filter((bars[:, None] | bars).astype(float), w / ratio, mode="wrap", truncate=8)
    between = picture[w // 2 - 1 : w // 2 + 1, w + w // 2 - 1 : w + w // 2 + 1].mean()
    hole = picture[w + w // 2 - 1 : w + w // 2 + 1, w + w // 2 - 1 : w + w // 2 + 1].mean()
    assert contrast(ratio) == pytest.approx(between / hole, rel=2e-3)


def test_a_wide_strut_keeps_all_and_a_thin_one_nothing():
    assert contrast(0.2) == pytest.approx(1, abs=1e-9)
    assert contrast(7.9) > 1000
    assert np.all(np.diff([contrast(0.4 + 0.1 * n) for n in range(60)]) > 0)
    for wanted in (1.02, 1.1, 2.0):
        assert contrast(sigmas_for(wanted)) == pytest.approx(wanted, rel=1e-6)
    assert wanted_contrast(35.0, 37.0) == pytest.approx(37 * 1.02 / (35 * 0.98))


def test_spreads_are_those_of_closed_forms():
    """A square pixel p / sqrt(12), a linear one p / sqrt(6); a smear s / sqrt(12); out of focus the mean of t^2 over a
    turn, by a sum over angles."""
    square = changed(pixel_shape="square", blur_mm=0.2, motion="continuous")
    assert spreads_mm(square)["pixel"] == pytest.approx(math.hypot(0.1 / math.sqrt(12), 0.2 / 2.35482), rel=1e-5)
    assert spreads_mm(GOOD)["pixel"] == pytest.approx(0.1 / math.sqrt(6))
    assert spreads_mm(square)["turning"] == pytest.approx(2 * math.pi * 4.0 / 360 / math.sqrt(12))
    assert "turning" not in spreads_mm(changed(motion="stepped"))
    lens = changed(numerical_aperture=0.03, focus_mm=1.5, wavelength_nm=405.0)
    angles = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    per_mm = 0.03 / math.sqrt(1.5**2 - 0.03**2) / 2
    away = np.sqrt(np.mean((4.0 * np.sin(angles) - 1.5) ** 2))
    assert spreads_mm(lens)["defocus"] == pytest.approx(per_mm * away, rel=1e-9)
    assert diffraction_sigma_mm(lens, 0.1) == 0
    z = 4.0 / math.sqrt(2)
    assert diffraction_sigma_mm(GOOD, 0.1) == pytest.approx(0.886 / 2.35482 * 405e-6 * z / (1.5 * 0.1), rel=1e-5)


def test_the_finest_feature_solves_its_own_equation():
    """Where diffraction depends on the feature itself, and no pixel or voxel is coarser."""
    case = changed(pixel_mm=0.004, voxel_mm=0.004, motion="stepped")
    w = finest_feature_mm(case)
    sigma = math.hypot(*spreads_mm(case).values(), diffraction_sigma_mm(case, w))
    needed = wanted_contrast(case.resin.liquid_below_mj_cm3, case.resin.solid_above_mj_cm3)
    assert w > 0.004
    assert contrast(w / sigma) == pytest.approx(needed, rel=1e-6)


def test_the_verdict_compares_with_the_thinnest_wall():
    blurred = {"blur_mm": 0.6, "pixel_shape": "square"}
    case = changed(**blurred)
    finest = finest_feature_mm(case)
    thin, thick = (only(verdict(**blurred, thinnest_mm=finest * times), "features") for times in (0.9, 1.1))
    assert (thin.level, thick.level) == ("marginal", "will work")
    assert "a sharper lens" in thin.change
    assert f"{float(f'{1000 * finest:.2g}'):.0f} um" in thin.text
    assert only(verdict(), "features").level == "will work"
    assert not verdict(liquid_below_mj_cm3=0.0).of("features")


def mesh_job(sigmas: float, tmp_path):
    """A mesh of struts in x and y, `sigmas` standard deviations of the light wide and as far apart, 4 voxels each."""
    strut, voxel, cells = 0.2, 0.05, 4
    case_pixel = voxel / math.sqrt(12)
    blur = 2.3548200450309493 * math.sqrt((strut / sigmas) ** 2 - case_pixel**2)
    bars = np.arange((2 * cells + 1) * 4) // 4 % 2 == 0
    mask = np.repeat((bars[:, None] | bars)[:, :, None], 8, axis=2)
    radius = len(bars) * voxel * 0.75
    job = job_from(
        {
            "part": {"shape": ll.Voxels(mask, voxel)},
            "vial": {"inner_diameter_mm": 2 * radius, "resin_height_mm": 9},
            "resin": {"absorption_per_mm": 0.05, **WITH},
            "light": {
                "pixel_mm": voxel, "columns": 2 * round(radius / voxel), "rows": 24, "irradiance_mw_cm2": 200,
                "pixel_shape": "square", "blur_mm": blur, "wavelength_nm": 250.0,
            },
            "turn": {"angles": 120, "seconds_per_turn": 10, "motion": "stepped"},
            "grid": {"voxel_mm": voxel, "finer": 1},
            "design": {"iterations": 80, "bound_iterations": 0},
        },
        folder=tmp_path,
    )  # fmt: skip
    return job, strut, mask


@pytest.mark.parametrize(("times", "prints"), [(1.25, True), (0.8, False)])
def test_designs_on_either_side_of_the_finest_feature(times, prints, tmp_path):
    """The least dose in the middle of a strut, between two crossings, over the largest in the middle of a hole: above
    what the resin needs for struts 1.25 times the size stated, below it for 0.8 times."""
    wanted = wanted_contrast(WITH["liquid_below_mj_cm3"], WITH["solid_above_mj_cm3"])
    job, strut, mask = mesh_job(times * sigmas_for(wanted), tmp_path)
    stated = finest_feature_mm(case_of(job, load_solids(job)[0]))
    assert stated == pytest.approx(strut / times, rel=0.02)  # diffraction of 250 nm adds next to nothing
    dose = ll.design(job).prediction.dose.numpy()
    low = [(n - m) // 2 for n, m in zip(dose.shape, mask.shape, strict=True)]
    across = dose[low[0] : low[0] + mask.shape[0], low[1] : low[1] + mask.shape[1], dose.shape[2] // 2]
    middles = across[: 9 * 4].reshape(9, 4, -1)[:, 1:3].mean(1)[:, : 9 * 4].reshape(9, 9, 4)[:, :, 1:3].mean(2)
    struts = np.concatenate([middles[2:-2:2, 1::2].ravel(), middles[1::2, 2:-2:2].ravel()])
    found = struts.min() / middles[1::2, 1::2].max()
    needed = WITH["solid_above_mj_cm3"] / WITH["liquid_below_mj_cm3"]
    assert (found > needed) == prints, found
    assert (found > 1.5 * (needed - 1) + 1) == prints  # no near thing
