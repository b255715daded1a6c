"""What a print becomes where the job's light is not what it says: pixels, blur, and the list of unstated things."""

import dataclasses
import json

import pytest

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.errors import JobError
from lightlathe.feasibility import case_of
from lightlathe.feasibility.estimates import array_bytes, design_s
from lightlathe.flow.recorded import job_of
from lightlathe.flow.solids import load_solids
from lightlathe.flow.what_if import cases, what_ifs
from lightlathe.job import job_from
from lightlathe.result import read_result, write_result


def tables(**light):
    return {
        "part": {"shape": {"kind": "tube", "outer_radius_mm": 3.2, "inner_radius_mm": 1.6, "height_mm": 4}},
        "vial": {"inner_diameter_mm": 10, "resin_height_mm": 12},
        "resin": {"absorption_per_mm": 0.1, "liquid_below_mj_cm3": 40, "solid_above_mj_cm3": 42},
        "light": {"pixel_mm": 0.2, "columns": 50, "rows": 24, "irradiance_mw_cm2": 20, **light},
        "turn": {"angles": 90, "seconds_per_turn": 10, "motion": "stepped"},
        "grid": {"voxel_mm": 0.2},
        "design": {"iterations": 40, "bound_iterations": 0},
    }


@pytest.fixture(scope="module")
def record():
    return pipeline.design(job_from(tables(), name="tube"))


def test_a_design_that_knows_of_the_blur_prints_where_one_that_does_not_fails(record):
    """The effect, not a figure: two pixels of blur take the window of the one and leave the other's."""
    blurred = {"pixel_shape": "square", "blur_mm": 0.4}
    unaware = pipeline.predict(record, light=blurred)
    aware = pipeline.design(job_from(tables(**blurred), name="tube"))
    assert unaware.quality["window_relative"] < 0 < aware.quality["window_relative"]
    assert aware.quality["wrong_voxels"] == 0 < unaware.quality["wrong_voxels"]
    as_stated = pipeline.predict(aware)
    assert as_stated.quality["window_relative"] == pytest.approx(aware.quality["window_relative"], abs=1e-4)


def test_a_prediction_with_the_jobs_own_pixels_changes_nothing(record):
    same = pipeline.predict(record, light={"pixel_shape": "linear", "blur_mm": 0.0})
    plain = pipeline.predict(record)
    assert dict(same.quality) == dict(plain.quality)


def test_what_is_stated_is_not_asked(record):
    job = job_of(record)
    words = [words for words, _ in cases(job, 10.0)]
    assert any("squares" in w for w in words)
    assert any("lens" in w for w in words)
    assert any("air" in w for w in words)
    stated = dataclasses.replace(
        job,
        light=dataclasses.replace(job.light, pixel_shape="square", blur_mm=0.1),
        vial=dataclasses.replace(job.vial, surroundings="matched"),
    )
    fewer = [words for words, _ in cases(stated, 10.0)]
    assert not any("squares" in w or "lens" in w or "air" in w for w in fewer)
    assert set(fewer) < set(words)


def test_the_list_is_ranked_and_each_case_is_what_predict_says(record):
    found = what_ifs(record)
    lost = [case.lost for case in found]
    assert lost == sorted(lost, reverse=True)
    case = next(case for case in found if case.asked == {"light": {"blur_mm": 0.4}})
    assert case.print is not None
    alone = pipeline.predict(record, light={"blur_mm": 0.4})
    assert dict(case.print.quality) == dict(alone.quality)


def test_the_command_lists_them(record, tmp_path, capsys):
    path = tmp_path / "tube.lathe.h5"
    write_result(record, path)
    assert main(["predict", str(path), "--assumptions"]) == 0
    text = capsys.readouterr().out
    assert text.startswith("if ")
    assert "pixels are squares" in text
    assert "design again" in text
    assert main(["predict", str(path), "--assumptions", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {"if", "keys", "why_not", "quality"} == set(rows[0])
    assert main(["predict", str(path), "--assumptions", "--blur-mm", "0.1"]) == 1
    assert "list of its own" in capsys.readouterr().err
    assert main(["predict", str(path), "--pixel-shape", "square", "--blur-mm", "0.4"]) in (3, 4)
    assert "square pixels, blurred by 0.4 mm" in capsys.readouterr().out
    assert read_result(path).settings["light"]["pixel_shape"] is None


@pytest.mark.parametrize(
    ("light", "match"),
    [
        ({"fill_factor": 0.9}, 'pixel_shape = "square"'),
        ({"pixel_shape": "square", "fill_factor": 92}, "in percent"),
        ({"pixel_shape": "square", "fill_factor": 0.0}, "0.1 to 1"),
        ({"blur_mm": 40}, "in um"),
        ({"blur_mm": -0.1}, "blur_mm is -0.1"),
        ({"blur_mm": float("nan")}, "blur_mm"),
        ({"pixel_shape": "round"}, "'linear' or 'square'|linear"),
    ],
)
def test_pixels_that_cannot_be_are_refused(light, match):
    with pytest.raises(JobError, match=match):
        job_from(tables(**light))


def test_only_pixels_can_be_assumed_otherwise(record):
    with pytest.raises(JobError, match="bits"):
        pipeline.predict(record, light={"bits": 4})


def test_a_design_that_knows_where_it_is_out_of_focus_prints_where_one_that_does_not_fails(record):
    """A point's image is 0.2 mm wide on the axis and 0.5 mm at the part's edge, of pixels of 0.2 mm."""
    soft = {"pixel_shape": "square", "blur_mm": 0.1, "numerical_aperture": 0.12}
    unaware = pipeline.predict(record, light=soft)
    job = job_from(tables(**soft), name="tube")
    setup = pipeline.prepare(job)
    assert len(setup.operator._layers) > 1
    aware = pipeline.design(job, setup=setup)
    assert aware.quality["wrong_voxels"] < unaware.quality["wrong_voxels"]
    assert aware.quality["window_relative"] > unaware.quality["window_relative"]
    again = pipeline.predict(aware)
    assert again.quality["window_relative"] == pytest.approx(aware.quality["window_relative"], abs=1e-4)


@pytest.mark.parametrize(
    ("light", "match"),
    [
        ({"numerical_aperture": 2.8}, "f-number"),
        ({"numerical_aperture": 0.0}, "above 0"),
        ({"focus_mm": 1.0}, "numerical_aperture beside it"),
        ({"numerical_aperture": 0.02, "focus_mm": float("inf")}, "focus_mm"),
    ],
)
def test_apertures_that_cannot_be_are_refused(light, match):
    with pytest.raises(JobError, match=match):
        job_from(tables(**light))


def test_the_check_says_how_wide_a_point_is_where_it_is_out_of_focus():
    """Full width at half maximum of a Gaussian with the variance of the disc, radius |z| tan: 2.355 |z| tan / 2."""
    verdict = pipeline.check(job_from(tables(numerical_aperture=0.05, blur_mm=0.1)))
    (reason,) = verdict.of("blur")
    tangent = 0.05 / (1.5**2 - 0.05**2) ** 0.5
    diffraction = 0.51 * 405e-6 / 0.05
    wide = (0.1**2 + diffraction**2 + (2.3548 * 3.2 * tangent / 2) ** 2) ** 0.5
    assert reason.number == pytest.approx(wide, rel=1e-3)
    assert not verdict.of("diffraction")
    assert any("plane of focus lies on the turning axis" in said for said in verdict.assumptions)


def test_the_check_counts_what_pixels_and_apertures_take():
    """More bins, and a product for each band of depth, are more time and memory than plain pixels take."""
    plain, square, soft = (
        case_of(job, load_solids(job)[0])
        for job in (
            job_from(tables(**light))
            for light in ({}, {"pixel_shape": "square"}, {"pixel_shape": "square", "numerical_aperture": 0.1})
        )
    )
    assert design_s(plain) < design_s(square) < design_s(soft)
    assert array_bytes(plain) < array_bytes(square)
