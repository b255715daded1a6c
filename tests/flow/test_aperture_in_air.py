"""Jobs with an aperture and a bare vial."""

import math

import pytest
import torch

from lightlathe import pipeline
from lightlathe.dose import Directions, DoseOperator
from lightlathe.errors import JobError
from lightlathe.feasibility import check
from lightlathe.flow.operators import optics_of
from lightlathe.job import job_from
from lightlathe.quantities import Astigmatism, Defocus
from lightlathe.result import read_result, write_result

AIR = {"surroundings": "air", "wall_mm": 1.0, "wall_index": 1.48}


def tables(vial=AIR, **light):
    return {
        "part": {"shape": {"kind": "tube", "outer_radius_mm": 2.4, "inner_radius_mm": 1.2, "height_mm": 3}},
        "vial": {"inner_diameter_mm": 10, "resin_height_mm": 12, **vial},
        "resin": {
            "absorption_per_mm": 0.1, "liquid_below_mj_cm3": 40, "solid_above_mj_cm3": 42, "refractive_index": 1.5,
        },
        "light": {"pixel_mm": 0.3, "columns": 46, "rows": 40, "irradiance_mw_cm2": 20, **light},
        "turn": {"angles": 72, "seconds_per_turn": 10, "motion": "stepped"},
        "grid": {"voxel_mm": 0.3, "finer": 1},
        "design": {"iterations": 25, "bound_iterations": 0},
    }  # fmt: skip


def test_a_design_that_knows_of_the_aperture_prints_better(tmp_path):
    """The effect, not a figure: the window under the aperture, of a design for it and of one for parallel light."""
    aware = pipeline.design(job_from(tables(numerical_aperture=0.1), name="tube"))
    unaware = pipeline.predict(pipeline.design(job_from(tables(), name="tube")), light={"numerical_aperture": 0.1})
    assert aware.quality["window_relative"] > unaware.quality["window_relative"] + 0.05
    path = write_result(aware, tmp_path / "a.lathe.h5")
    again = read_result(path)
    kept, wanted = again.optics.defocus, aware.optics.defocus
    assert isinstance(kept, Astigmatism)
    assert (kept.per_mm, kept.turn_rad) == (wanted.per_mm, wanted.turn_rad)
    assert torch.equal(kept.focus_mm, wanted.focus_mm)
    torch.testing.assert_close(pipeline.predict(again).dose, aware.prediction.dose, rtol=1e-5, atol=1e-4)


def test_its_numbers_are_those_of_the_job():
    """NA / sqrt(n^2 - NA^2) in the resin, half that of air across; the focus on the axis as a plate moves it."""
    defocus = optics_of(job_from(tables(numerical_aperture=0.1, columns=47), name="tube")).defocus
    assert isinstance(defocus, Astigmatism)
    assert defocus.per_mm == pytest.approx(0.1 / math.sqrt(1.5**2 - 0.01))
    assert defocus.turn_rad == pytest.approx(0.05 / math.sqrt(1 - 0.01))
    assert float(defocus.focus_mm[23]) == pytest.approx(6 * 1.5 - 5 - 1.5 / 1.48)
    bath = optics_of(job_from(tables({"surroundings": "matched"}, numerical_aperture=0.1, focus_mm=1), name="tube"))
    assert isinstance(bath.defocus, Defocus)


@pytest.mark.parametrize("aperture", [0.02, 0.2])
def test_only_what_cannot_reach_the_part_is_left_dark(aperture):
    """Every pixel of the whole field that gives a voxel of the part a thousandth of the most is among those lit."""
    job = job_from(tables(numerical_aperture=aperture), name="tube")
    setup = pipeline.prepare(job)
    assert not setup.field.is_whole
    whole = DoseOperator(optics_of(job), setup.part.grid, directions=Directions.even(2, False))
    found = whole.transpose((setup.part.judged == 2).float()).amax(0)
    inside = torch.zeros(found.shape, dtype=torch.bool)
    inside[setup.field.lit] = True
    assert not bool(((found > 1e-3 * found.amax()) & ~inside).any())


def test_the_check_names_the_blur_along_the_axis():
    """By hand: focus 2.99 mm behind the axis, the part's edge 2.4 mm before it; 2.355 x 5.39 x 0.0334 mm, and the
    diffraction of NA 0.1, which is small."""
    (reason,) = check(job_from(tables(numerical_aperture=0.1), name="tube")).of("blur")
    assert "5.39 mm out of it along the axis, behind the bare vial" in reason.text
    assert reason.number == pytest.approx(2.3548 * 5.386 * 0.0668 / 2, rel=5e-3)


@pytest.mark.parametrize(
    ("light", "match"),
    [
        ({"focus_mm": 1.0}, "focus_mm is 1: behind a bare vial .* Expected focus_mm = 0"),
        ({"beam": {"kind": "diverging", "throw_ratio": 3}}, "not telecentric: .* Expected beam = \"telecentric\""),
    ],
)  # fmt: skip
def test_what_is_not_computed_is_refused(light, match):
    with pytest.raises(JobError, match=match):
        optics_of(job_from(tables(numerical_aperture=0.1, **light), name="tube"))
