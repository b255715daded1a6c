"""Frames for the projector as it stands: the axis beside the field's middle, mirrors, projectors on their side."""

import dataclasses
import json
import math

import numpy as np
import pytest
import torch
from PIL import Image
from test_frames_to_dose import F, dose_by_hand, off

from lightlathe import pipeline
from lightlathe.dose import DoseOperator
from lightlathe.errors import JobError, PartError, ResultError
from lightlathe.export.mounting import Mounting
from lightlathe.feasibility import check
from lightlathe.flow.operators import optics_of
from lightlathe.flow.recorded import axis_offset_pixels
from lightlathe.job import parse_job
from lightlathe.quantities import Grid
from lightlathe.result import read_result, write_result
from odd_jobs import disc


def job(folder, *lines, changes=(), part=None):
    text = disc(("rows = 20", "\n".join(("rows = 20", *lines))), ("iterations = 12", "iterations = 10"), *changes)
    if part:
        text = part + text[text.index("[vial]") :]
    return parse_job(text, name="disc", folder=folder)


def images_of(folder):
    manifest = json.loads((folder / "manifest.json").read_text())
    return manifest, [np.asarray(Image.open(folder / frame["file"])) for frame in manifest["frames"]]


@pytest.mark.parametrize("pixels", [0.0, 3.0, -2.5, 0.3])
def test_a_point_of_light_prints_where_it_should(tmp_path, pixels):
    """One lit pixel of the field, at scan angle 0, where s is x: the axis, x = 0, lies `pixels` columns right of the
    middle, so column j crosses x at (j - (columns - 1) / 2 - pixels) pitches. By hand from that sentence."""
    optics = optics_of(job(tmp_path, f"axis_offset_pixels = {pixels}")).replace(angle_rad=torch.zeros(1).double())
    a = DoseOperator(optics, Grid((400, 1, 20), 0.025))
    for column in (14, 22):
        patterns = torch.zeros(a.pattern_shape)
        patterns[0, column] = 1
        x = Grid((400, 1, 1), 0.025).centres_mm(0)
        light = a(patterns)[:, 0, 10].double()
        assert float((light * x).sum() / light.sum()) == pytest.approx((column - 19.5 - pixels) * 0.25, abs=0.02)


@pytest.mark.parametrize("pixels", [4.0, -2.6])
def test_the_frames_of_a_shifted_axis_leave_the_dose_predicted(tmp_path, pixels):
    """By code that shares nothing with the package, from the PNG files. 3e-3: as in test_frames_to_dose.py."""
    record = pipeline.design(job(tmp_path, f"axis_offset_pixels = {pixels}", part=F))
    path = write_result(record, tmp_path / "f.lathe.h5")
    pipeline.frames(read_result(path), tmp_path / "frames")
    assert images_of(tmp_path / "frames")[0]["axis_offset_pixels"] == pixels
    nx, ny, nz = record.part.grid.shape
    i, j = np.mgrid[:nx, :ny]
    x, y, z = ((n - (size - 1) / 2) * 0.25 for n, size in ((i, nx), (j, ny), (np.arange(nz), nz)))
    inside = np.hypot(x, y) <= 5.0
    predicted = record.prediction.dose.numpy()[inside]
    place = (tmp_path / "frames", x[inside], y[inside], z)
    assert off(dose_by_hand(*place, exponent=1.0, axis_pixels=pixels), predicted) < 3e-3
    for wrong in (-pixels, 0.0, pixels + 0.2):
        assert off(dose_by_hand(*place, exponent=1.0, axis_pixels=wrong), predicted) > 0.01
    again = pipeline.predict(read_result(path), finer=False)
    np.testing.assert_allclose(again.dose, record.prediction.dose, rtol=1e-5, atol=1e-4)  # float32 sums
    beside = pipeline.predict(record, axis_offset_mm=0.5, finer=False)  # two columns more, beyond the job's own
    assert beside.quality["iou"] < record.quality["iou"]


def test_an_axis_a_whole_number_of_columns_off_is_another_cut_of_the_field(tmp_path):
    """40 columns with the axis 3 columns right of the middle are 46 about the axis without the last 6, which this part
    does not need: the same levels bit for bit, and frames shifted by 3 columns less."""
    shifted = pipeline.design(job(tmp_path, "axis_offset_pixels = 3"))
    centred = pipeline.design(job(tmp_path, changes=[("columns = 40", "columns = 46")]))
    assert torch.equal(shifted.patterns.levels, centred.patterns.levels)
    assert shifted.quality["window_relative"] == centred.quality["window_relative"]
    for name, record in (("shifted", shifted), ("centred", centred)):
        pipeline.frames(record, tmp_path / name)
    few, many = (np.stack(images_of(tmp_path / name)[1]) for name in ("shifted", "centred"))
    assert few.any()
    np.testing.assert_array_equal(few, many[:, :, :40])


def test_light_into_a_bare_vial_is_offset_before_it_is_refracted(tmp_path):
    """Snell's law by hand for a ray at s = (30 - 19.5 - 2) columns outside: at n1/n2 of that inside."""
    air = [
        ("resin_height_mm = 12", 'resin_height_mm = 12\nsurroundings = "air"\nwall_mm = 0'),
        ("absorption_per_mm = 0.1", "absorption_per_mm = 0.1\nrefractive_index = 1.5"),
    ]
    chords = optics_of(job(tmp_path, "axis_offset_pixels = 2", changes=air)).chords
    s = (30 - 19.5 - 2) * 0.25
    assert float(chords.offset_mm[30]) == pytest.approx(s / 1.5)
    turned = math.asin(s / 5) - math.asin(s / 7.5)
    assert abs(float(chords.deflection_rad[30])) == pytest.approx(turned, rel=1e-9)


def test_a_start_from_a_design_with_another_axis_is_moved_over(tmp_path):
    """The earlier frames, read about their own axis: the first loss is that of a start with the same axis."""
    for name, pixels in (("here", 0), ("there", 3)):
        record = pipeline.design(
            job(tmp_path, f"axis_offset_pixels = {pixels}", changes=[("iterations = 10", "iterations = 3")])
        )
        assert axis_offset_pixels(record) == pixels
        write_result(record, tmp_path / f"{name}.h5")
    first = []
    for name in ("here", "there"):
        start = ("iterations = 10", f'iterations = 1\nstart = {{ kind = "earlier", result = "{name}.h5" }}')
        first.append(pipeline.design(job(tmp_path, changes=[start])).log["loss"][0])
    assert first[0] == pytest.approx(first[1], rel=1e-4)


def test_the_field_about_the_axis_has_to_hold_the_part(tmp_path):
    """The disc reaches 2 mm, 8 columns: 12 columns off the middle of 40 leave 8 on one side, 12.5 leave 7.5."""
    assert check(job(tmp_path, "axis_offset_pixels = 12")).of("field")[0].level == "will work"
    (reason,) = check(job(tmp_path, "axis_offset_pixels = -12.5")).of("field")
    assert reason.level == "cannot work"
    assert "3.75 mm wide about the axis (12.5 columns off the field's middle)" in reason.text
    assert "41 columns instead of 40" in reason.change
    with pytest.raises(PartError, match=r"beyond the projector's field, 3\.75 mm wide"):
        pipeline.prepare(job(tmp_path, "axis_offset_pixels = -12.5"))


def pillows(image, flip, rotate_deg):
    """The same by Pillow, whose turns are counterclockwise."""
    steps = {"none": None, "left_right": Image.Transpose.FLIP_LEFT_RIGHT, "up_down": Image.Transpose.FLIP_TOP_BOTTOM}
    turns = {0: None, 90: Image.Transpose.ROTATE_270, 180: Image.Transpose.ROTATE_180, 270: Image.Transpose.ROTATE_90}
    found = Image.fromarray(image)
    for step in (steps[flip], turns[rotate_deg]):
        found = found if step is None else found.transpose(step)
    return np.asarray(found)


@pytest.mark.parametrize("rotate_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("flip", ["none", "left_right", "up_down"])
def test_frames_are_flipped_and_then_turned_clockwise(flip, rotate_deg):
    image = np.arange(12, dtype=np.uint8).reshape(3, 4)
    np.testing.assert_array_equal(Mounting(flip, rotate_deg).native(image), pillows(image, flip, rotate_deg))


def test_a_quarter_turn_by_hand():
    picture = np.array([[1, 2, 3], [4, 5, 6]])
    assert Mounting("none", 90).native(picture).tolist() == [[4, 1], [5, 2], [6, 3]]
    assert Mounting("left_right", 90).native(picture).tolist() == [[6, 3], [5, 2], [4, 1]]


def test_only_the_frames_are_turned(tmp_path):
    """The design, its result and its dead columns know nothing of it; the manifest has the size of the frames."""
    mounted = 'flip = "left_right"\nrotate_deg = 270'
    plain = pipeline.design(job(tmp_path, "dead_columns = [17]", "axis_offset_pixels = 1.5"))
    other = pipeline.design(job(tmp_path, "dead_columns = [17]", "axis_offset_pixels = 1.5", mounted))
    assert torch.equal(plain.patterns.levels, other.patterns.levels)
    path = write_result(other, tmp_path / "disc.lathe.h5")
    pipeline.frames(plain, tmp_path / "plain")
    pipeline.frames(read_result(path), tmp_path / "turned")
    (said, seen), (also, native) = images_of(tmp_path / "plain"), images_of(tmp_path / "turned")
    assert (said["columns"], said["rows"], said["flip"], said["rotate_deg"]) == (40, 20, "none", 0)
    assert (also["columns"], also["rows"], also["flip"], also["rotate_deg"]) == (20, 40, "left_right", 270)
    assert also["orientation"].startswith(
        "For the projector's mounting every frame is flipped left to right and then turned clockwise by 270 degrees. "
        "Before that: Seen from the projector"
    )
    for one, two in zip(seen, native, strict=True):
        np.testing.assert_array_equal(two, pillows(one, "left_right", 270))
    assert not np.stack(seen)[:, :, 17].any()
    assert any(np.any(one) for one in seen)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("axis_offset_pixels = 20", "axis_offset_pixels is 20, outside the field; expected less than half of its 40"),
        ("axis_offset_pixels = -1e9", "axis_offset_pixels is -1e\\+09, outside the field"),
        ("axis_offset_pixels = nan", "axis_offset_pixels is nan; expected a finite number"),
        ('axis_offset_pixels = "3"', "axis_offset_pixels is '3'; expected a number"),
        ('flip = "both"', "flip is 'both'; expected one of 'none', 'left_right', 'up_down'"),
        ("flip = true", "flip is True; expected one of"),
        ("rotate_deg = 45", "rotate_deg is 45; expected one of '0', '90', '180', '270'"),
        ("rotate_deg = -90", "rotate_deg is -90; expected one of"),
        ("rotate_deg = [90]", r"rotate_deg is \[90\]; expected one of"),
        ("axis_offset_mm = 3", "unknown key 'axis_offset_mm'"),
    ],
)
def test_hostile_keys_of_the_mounting(tmp_path, line, words):
    with pytest.raises(JobError, match=rf"\[light\]: {words}"):
        job(tmp_path, line)


def test_a_hostile_result_is_refused(tmp_path):
    record = pipeline.design(job(tmp_path, changes=[("iterations = 10", "iterations = 1")]))
    light = {**record.settings["light"], "axis_offset_pixels": "far"}
    with pytest.raises(ResultError, match="axis_offset_pixels"):
        pipeline.predict(dataclasses.replace(record, settings={**record.settings, "light": light}))
    with pytest.raises(ResultError, match="axis_offset_pixels of the result is 'far'; expected a number"):
        axis_offset_pixels(dataclasses.replace(record, settings={**record.settings, "light": light}))
