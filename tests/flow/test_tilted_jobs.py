"""Jobs whose turning axis leans in the projector's picture: design, prediction, files, frames, the check."""

import dataclasses
import json
import math

import numpy as np
import pytest
import torch
from test_native_frames import images_of

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.dose import DoseOperator
from lightlathe.errors import JobError, ResultError
from lightlathe.feasibility import check
from lightlathe.flow.operators import optics_of
from lightlathe.flow.recorded import job_of
from lightlathe.flow.what_if import cases
from lightlathe.job import job_from, parse_job
from lightlathe.quantities import Field, Grid
from lightlathe.result import read_result, write_result
from odd_jobs import disc
from sealing import sealed_anew

TILT_DEG = 4.0
PIXEL = 0.25


def tables(tilt_deg=TILT_DEG, **light):
    tilt = {"axis_tilt_deg": tilt_deg} if tilt_deg else {}
    return {
        "part": {"shape": {"kind": "tube", "outer_radius_mm": 3, "inner_radius_mm": 1.5, "height_mm": 5}},
        "vial": {"inner_diameter_mm": 10, "resin_height_mm": 12},
        "resin": {"absorption_per_mm": 0.1, "liquid_below_mj_cm3": 40, "solid_above_mj_cm3": 42},
        "light": {"pixel_mm": PIXEL, "columns": 40, "rows": 28, "irradiance_mw_cm2": 20, **tilt, **light},
        "turn": {"angles": 72, "seconds_per_turn": 10, "motion": "stepped"},
        "grid": {"voxel_mm": 0.25, "finer": 1},
        "design": {"iterations": 25},
    }


@pytest.fixture(scope="module")
def record():
    return pipeline.design(job_from(tables(axis_offset_pixels=1.4), name="tube"))


def dose_by_hand(folder, x, y, z, tilt_deg, axis_pixels):
    """Relative dose at points (x, y) by z from the frames: each point reads the picture at its own place, linearly.

    u = s cos + z sin right of the axis, v = z cos - s sin above the middle: the turn of a picture about the light.
    """
    manifest, images = images_of(folder)
    tilt, total = math.radians(tilt_deg), 0
    for frame, image in zip(manifest["frames"], images, strict=True):
        picture = np.pad(np.flipud(image).T.astype(float), 1)  # column, row from below; dark around
        angle = math.radians(frame["scan_angle_deg"])
        s, t = (x * np.cos(angle) + y * np.sin(angle))[:, None], (y * np.cos(angle) - x * np.sin(angle))[:, None]
        u = (s * np.cos(tilt) + z * np.sin(tilt)) / PIXEL + (picture.shape[0] - 1) / 2 + axis_pixels
        v = (z * np.cos(tilt) - s * np.sin(tilt)) / PIXEL + (picture.shape[1] - 1) / 2
        i, j = np.floor(u).astype(int), np.floor(v).astype(int)
        i, j = np.clip(i, 0, picture.shape[0] - 2), np.clip(j, 0, picture.shape[1] - 2)
        f, g = u - i, v - j
        low, high = (picture[i, k] * (1 - f) + picture[i + 1, k] * f for k in (j, j + 1))
        total = total + (low * (1 - g) + high * g) * np.exp(-0.1 * (np.sqrt(25 - s**2) + t))
    return total


def test_the_frames_give_the_dose_predicted(record, tmp_path):
    """From the PNG files, by code that shares nothing with the package; by scale free doses, 2 % of their rms."""
    pipeline.frames(record, tmp_path / "frames")
    assert images_of(tmp_path / "frames")[0]["axis_tilt_deg"] == TILT_DEG
    grid = record.part.grid
    i, j = np.nonzero(grid.inside(4.5).numpy())
    x, y, z = grid.centres_mm(0).numpy()[i], grid.centres_mm(1).numpy()[j], grid.centres_mm(2).numpy()
    predicted = record.prediction.dose.numpy()[i, j]

    def off(tilt_deg, axis):
        found = dose_by_hand(tmp_path / "frames", x, y, z, tilt_deg, axis)
        found *= (predicted * found).sum() / (found * found).sum()
        return np.sqrt(((found - predicted) ** 2).mean()) / predicted.std()

    assert off(TILT_DEG, 1.4) < 0.02
    for tilt_deg, axis in ((0.0, 1.4), (-TILT_DEG, 1.4), (TILT_DEG, -1.4), (TILT_DEG - 2, 1.4)):
        assert off(tilt_deg, axis) > 0.04


def test_a_design_for_the_tilt_prints_where_one_that_knows_of_none_fails(record):
    flat = pipeline.design(job_from(tables(0, axis_offset_pixels=1.4), name="tube"))
    unaware = pipeline.predict(flat, axis_tilt_deg=TILT_DEG)
    assert record.quality["wrong_voxels"] == 0 < unaware.quality["wrong_voxels"]
    assert unaware.quality["window_relative"] < 0 < record.quality["window_relative"]
    upright = pipeline.predict(record, axis_tilt_deg=-TILT_DEG)  # beyond the job's own, so none is left
    assert upright.quality["window_relative"] < 0
    assert pipeline.predict(record).quality["window_relative"] == pytest.approx(
        record.quality["window_relative"], abs=1e-4
    )


def test_the_bound_holds(record):
    """Slices with rows of their own cover what rows that reach into several slices can do."""
    assert record.quality["window_reached"] <= record.quality["window_proven_at_most"] < 1


@pytest.mark.parametrize("more", [{}, {"beam": {"kind": "diverging", "throw_ratio": 4}, "columns": 56, "rows": 36}])
def test_only_what_cannot_reach_the_part_is_left_dark(more):
    """Every pixel of the whole field that lights a voxel of the part is among those that are lit."""
    job = job_from(tables(8.0, axis_offset_pixels=-2.3, **more), name="tube")
    setup = pipeline.prepare(job)
    assert not setup.field.is_whole
    grid = setup.part.grid
    whole = DoseOperator(optics_of(job), grid)
    solid = (setup.part.judged == 2).float()
    reached = whole.transpose(solid).amax(0) > 1e-6 * float(whole.transpose(solid).amax())
    inside = torch.zeros(reached.shape, dtype=torch.bool)
    inside[setup.field.lit] = True
    assert not bool((reached & ~inside).any())


def test_the_lens_stays_where_it_is():
    """A lens beside and above the middle: rays of the turned picture, written out from the pupil to a pixel."""
    beam = {"kind": "diverging", "distance_mm": 90, "lens_height_mm": 6.0, "lens_offset_mm": -4.0}
    job = job_from(tables(7.0, beam=beam), name="tube")
    a = DoseOperator(optics_of(job).replace(angle_rad=torch.zeros(1).double()), Grid((200, 3, 200), 0.04))
    tilt = math.radians(7.0)
    for column, row in ((12, 8), (25, 20)):
        patterns = torch.zeros(a.pattern_shape)
        patterns[0, column, row] = 1
        dose = a(patterns).double()
        pixel = np.array([(column - 19.5) * PIXEL, 0.0, (row - 13.5) * PIXEL])
        pupil = np.array([-4.0, -90.0, 6.0])
        for layer, y in enumerate((-0.04, 0.0, 0.04)):
            u, _, v = pupil + (pixel - pupil) * (y + 90) / 90
            wanted = u * math.cos(tilt) - v * math.sin(tilt), u * math.sin(tilt) + v * math.cos(tilt)
            light, place = dose[:, layer], Grid((200, 1, 200), 0.04)
            x = float((light.sum(1) * place.centres_mm(0)).sum() / light.sum())
            z = float((light.sum(0) * place.centres_mm(2)).sum() / light.sum())
            assert (x, z) == pytest.approx(wanted, abs=0.01)


def test_a_file_holds_it_and_older_ones_have_none(record, tmp_path):
    path = write_result(record, tmp_path / "t.lathe.h5")
    again = read_result(path)
    assert job_of(again).light.axis_tilt_deg == TILT_DEG
    kept, wanted = again.optics.tilt, record.optics.tilt
    assert (kept.angle_rad, kept.axis_column) == (wanted.angle_rad, wanted.axis_column)
    torch.testing.assert_close(pipeline.predict(again).dose, record.prediction.dose, rtol=1e-5, atol=1e-4)
    settings = {**record.settings, "light": {k: v for k, v in record.settings["light"].items() if "tilt" not in k}}
    before = dataclasses.replace(record, settings=settings, optics=dataclasses.replace(record.optics, tilt=None))
    assert job_of(before).light.axis_tilt_deg == 0
    flat = read_result(write_result(before, tmp_path / "old.lathe.h5"))
    assert flat.optics.tilt is None
    assert pipeline.predict(flat).quality["window_relative"] < 0
    with sealed_anew(path) as file:
        file["optics"].attrs["axis_tilt_rad"] = 2.0
    with pytest.raises(ResultError, match=r"tilted by 2.0 rad"):
        read_result(path)


def test_predict_takes_it_as_what_if(record, tmp_path, capsys):
    path = str(write_result(record, tmp_path / "t.lathe.h5"))
    main(["predict", path, "--axis-tilt-deg", "-1.5", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert found["window_relative"] == pytest.approx(
        pipeline.predict(record, axis_tilt_deg=-1.5).quality["window_relative"], abs=1e-4
    )
    main(["predict", path, "--axis-tilt-deg", "-1.5"])
    assert "axis tilted by -1.5 degrees" in capsys.readouterr().out
    assert any(asked == {"axis_tilt_deg": 0.5} for _, asked in cases(job_of(record), 10.0))
    with pytest.raises(JobError, match=r"axis_tilt_deg is 24; expected .* 10 degrees or less"):
        pipeline.predict(record, axis_tilt_deg=20.0)


def test_the_check_says_what_it_moves_and_what_it_takes(tmp_path):
    """By hand: 5 mm tan 4 degrees are 1.4 columns of 0.25 mm from bottom to top, 6 mm tan 4 degrees 1.7 rows."""
    (reason,) = check(job_from(tables(), name="tube")).of("tilt")
    assert reason.level == "will work"
    assert "leans 4 degrees to the right: light moves by 1.4 columns" in reason.text
    assert "1.7 rows from side to side" in reason.text
    assert "miss the axis by 0.17 mm (0.7 pixels)" in reason.text
    assert not check(job_from(tables(0), name="tube")).of("tilt")
    # 3 mm cos + 2.5 mm sin are 3.35 mm to either side, of 25 columns 3.1
    (short,) = check(job_from(tables(8.0, columns=25), name="tube")).of("tilt")
    assert short.level == "marginal"
    assert "for part of every turn only" in short.text
    assert check(job_from(tables(8.0, columns=27), name="tube")).of("tilt")[0].level == "will work"
    # 2.5 mm cos + 3 mm sin are 2.9 mm up and down, of 21 rows 2.6
    assert check(job_from(tables(-8.0, rows=21), name="tube")).of("tilt")[0].level == "marginal"


@pytest.mark.parametrize("value", ["11", "-90", "nan", '"1"'])
def test_what_is_no_tilt_is_refused(value, tmp_path):
    with pytest.raises(JobError, match="axis_tilt_deg is"):
        parse_job(disc(("rows = 20", f"rows = 20\naxis_tilt_deg = {value}")), name="disc", folder=tmp_path)


def test_the_lit_part_of_a_field_counts_columns_from_its_own_first():
    job = job_from(tables(), name="tube")
    whole = optics_of(job)
    lit = whole.lit(Field(40, 28, 5, 30, 20))
    assert lit.tilt.axis_column == whole.tilt.axis_column - 5
