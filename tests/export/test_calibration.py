"""Calibration frames: what they show, that no mirror image passes for the F, and what the test discs should measure."""

import dataclasses
import math

import numpy as np
import pytest
from PIL import Image

from lightlathe.cli.main import main
from lightlathe.errors import ResultError
from lightlathe.export.calibration import write_calibration
from lightlathe.export.calibration_images import (
    Field,
    axis_line,
    focus_target,
    frame_lines,
    grey_ramp,
    handedness,
    meter_places,
    ruler,
    strips,
)
from lightlathe.flow.test_print import disc_print
from lightlathe.job import job_from

FIELD = Field(64, 40, 255, 31.5)
TABLES = {
    "part": {"shape": {"kind": "sphere", "radius_mm": 2}},
    "vial": {"inner_diameter_mm": 10, "resin_height_mm": 12, "surroundings": "matched"},
    "resin": {"absorption_per_mm": 0.001, "liquid_below_mj_cm3": 1.0, "solid_above_mj_cm3": 1.01},
    "light": {"pixel_mm": 0.1, "columns": 100, "rows": 40, "irradiance_mw_cm2": 20, "pixel_shape": "square"},
    "turn": {"angles": 60, "seconds_per_turn": 10},
    "grid": {"voxel_mm": 0.2},
}


def test_the_letter_tells_every_mirror_image_and_turn():
    square = handedness(Field(40, 40, 255, 19.5))
    turns = [np.rot90(square, k) for k in range(4)]
    seen = {image.tobytes() for turn in turns for image in (turn, turn[:, ::-1])}
    assert len(seen) == 8


@pytest.mark.parametrize(("column", "lit"), [(31.5, [31, 32]), (30.0, [30]), (30.25, [30, 31])])
def test_the_axis_line_lies_on_the_axis(column, lit):
    image = axis_line(dataclasses.replace(FIELD, axis_column=column))
    assert np.flatnonzero(image.all(0)).tolist() == lit
    assert image.any(0).sum() == len(lit)


def test_the_rulers_marks_stand_where_the_page_says():
    image = ruler(Field(640, 480, 255, 319.5))
    middle = image[240]
    assert np.flatnonzero(middle).tolist() == list(range(0, 640, 10))
    assert np.flatnonzero(image[0]).tolist() == list(range(0, 640, 100))
    assert [n for n in range(480) if image[n].all()] == [120, 359]


def test_inner_lines_lie_as_far_apart_as_the_page_says():
    image, across, along = frame_lines(FIELD)
    assert np.diff(np.flatnonzero(image.all(0))[1:-1]).tolist() == [across]
    assert np.diff(np.flatnonzero(image.all(1))[1:-1]).tolist() == [along]


def focus_row(field: Field) -> int:
    """A row through the upright lines of the block in the middle."""
    side = max(6, min(field.columns, field.rows) // 12)
    return (field.rows - 2 * side) // 2 + side // 2


def test_focus_lines_are_a_pixel_wide_and_stay_in_the_field():
    for field in (FIELD, Field(24, 24, 255, 11.5), Field(1280, 720, 255, 639.5)):
        image = focus_target(field)
        assert image.shape == (field.rows, field.columns)
        assert set(np.unique(image)) == {0, field.full}
        middle = image[focus_row(field)]
        assert np.diff(np.flatnonzero(np.diff(middle.astype(int)))).min() == 1


def test_the_ramp_goes_from_black_to_white():
    codes = [code for code, _ in grey_ramp(FIELD)]
    assert (codes[0], codes[-1], len(codes)) == (0, 255, 17)
    assert [code for code, _ in grey_ramp(Field(64, 40, 1, 31.5))] == [0, 1]
    image, places = meter_places(FIELD)
    assert places[0] == (0, 0)
    assert places[-1] == (39, 63)
    assert all(image[place] == 255 for place in places)


def test_strips_are_as_wide_as_asked():
    disc, ring = strips(FIELD, 0, 3.75, 10), strips(FIELD, 4, 6, 10)
    assert disc.any(0).sum() == 8
    assert disc.any(1).sum() == 10
    assert not (disc & ring).any()


@pytest.mark.parametrize(("axis", "columns", "lit"), [(31.5, 4, 4), (31.5, 5, 6), (31.0, 4, 5), (30.0, 5, 5)])
def test_strips_lie_evenly_about_the_axis(axis, columns, lit):
    field = dataclasses.replace(FIELD, axis_column=axis)
    assert field.centred(columns) == lit
    seen = np.flatnonzero(strips(field, 0, (lit - 1) / 2 + 0.25, 10).any(0))
    assert len(seen) == lit
    assert seen.mean() == axis


@pytest.mark.parametrize("times", [1.05, 1.2, 1.5, 2.0])
def test_a_disc_grows_with_the_exposure_as_the_closed_form_says(times):
    """Strip |s| < a, next to no absorption: cured radius a / sin(pi tau / 2) for a threshold of tau, as the dose of a
    strip at all angles is (2 / pi) asin(a / r)."""
    found = disc_print(job_from(TABLES), 20, 49.5)
    sharp = found.diameter_mm[0][found.times.index(times)]
    assert sharp == pytest.approx(2.0 / math.sin(math.pi / (2 * times)), rel=0.01)
    gel = math.sqrt(1.01)
    assert found.exposure_s == pytest.approx(gel / (10 * 0.001 * 20), rel=0.02)


def test_a_narrow_disc_tells_the_blur():
    found = disc_print(job_from(TABLES), 2, 49.5)
    sharp, soft = found.diameter_mm[0], found.diameter_mm[2]
    assert sharp[0] > 0.2 > soft[0]


def test_a_field_too_small_and_a_folder_in_use_are_refused(tmp_path):
    with pytest.raises(ResultError, match="24 or more a side"):
        write_calibration(Field(12, 40, 255, 5.5), tmp_path, bits=8, page="", strip=(4, 2))
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(ResultError, match=r"holds mine\.txt"):
        write_calibration(FIELD, tmp_path, bits=8, page="", strip=(4, 2))


def test_the_command_takes_a_job_and_writes_frames_of_its_projector(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "job.toml").write_text(
        '[part]\nshape = { kind = "sphere", radius_mm = 2 }\n[vial]\ninner_diameter_mm = 10\nresin_height_mm = 12\n'
        "[resin]\nabsorption_per_mm = 0.1\nliquid_below_mj_cm3 = 40\nsolid_above_mj_cm3 = 42\n[light]\npixel_mm = 0.1\n"
        "columns = 100\nrows = 40\nirradiance_mw_cm2 = 20\n[turn]\nangles = 60\nseconds_per_turn = 10\n[grid]\n"
        "voxel_mm = 0.2\n"
    )
    assert main(["export", "job.toml", "--calibration", "frames"]) == 0
    assert "calibration: frames" in capsys.readouterr().out
    shown = np.asarray(Image.open("frames/1_handedness.png"))
    assert (shown.dtype, shown.shape, shown.max()) == (np.uint8, (40, 100), 255)
    page = (tmp_path / "frames" / "README.md").read_text()
    pictures = {path.stem.split("_")[0] for path in (tmp_path / "frames").glob("*.png")}
    assert all(f"**{number}_" in page for number in pictures)
    assert "eyewear" in page
    turned = (tmp_path / "job.toml").read_text().replace("columns = 100", "columns = 100\nrotate_deg = 90")
    (tmp_path / "turned.toml").write_text(turned.replace("columns = 100", "columns = 100\naxis_offset_pixels = 3"))
    assert main(["export", "turned.toml", "--calibration", "others"]) == 0
    other = np.asarray(Image.open("others/1_handedness.png"))
    assert np.array_equal(other, np.rot90(shown, -1))  # as the projector has to show it
    line = np.rot90(np.asarray(Image.open("others/2_axis_line.png")))
    assert np.flatnonzero(line.all(0)).tolist() == [52, 53]  # the axis lies 3 columns right of 49.5
    capsys.readouterr()
    assert main(["export", "job.toml", "--frames", "other"]) == 1
    assert "is a job" in capsys.readouterr().err
