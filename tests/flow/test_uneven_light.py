"""Designs for a field that is lit unevenly: what they print, against designs that know nothing of it."""

import dataclasses
import json
import shutil

import h5py
import numpy as np
import pytest
import torch
from PIL import Image
from test_frames_to_dose import dose_by_hand, off

from lightlathe import pipeline
from lightlathe.errors import ResultError
from lightlathe.feasibility import Machine, check
from lightlathe.flow.distinct import distinct, same_slices
from lightlathe.flow.formulation import problem_of
from lightlathe.job import parse_job
from lightlathe.result import read_result, write_result
from lightlathe.solve import Auto
from odd_jobs import disc
from sealing import sealed_anew

COLUMNS, ROWS = 40, 20


def vignette():
    """(row, column) as the projector sees it: 1 off the middle, to the upper left, 0.19 at the far corner."""
    row, column = np.mgrid[:ROWS, :COLUMNS]
    x, y = (column - 14) / COLUMNS, (row - 8) / ROWS
    return 1 / (1 + 3 * x**2 + 3 * y**2) ** 1.5


def job(folder, *lines, changes=(), iterations=40):
    line = "\n".join(("rows = 20", *lines))
    text = disc(("rows = 20", line), ("iterations = 12", f"iterations = {iterations}"), *changes)
    return parse_job(text, name="disc", folder=folder)


@pytest.fixture(scope="module")
def designs(tmp_path_factory):
    """The same part designed for the vignette with two dead columns, and for even light."""
    folder = tmp_path_factory.mktemp("uneven")
    np.savetxt(folder / "flat.csv", vignette() * 137.0, delimiter=",")
    part = ("height_mm = 1.0 }", "height_mm = 1.0, at_mm = [0.9, 0.4, 0.25] }")
    known = pipeline.design(job(folder, 'illumination = "flat.csv"', "dead_columns = [13, 22]", changes=[part]))
    even = pipeline.design(job(folder, changes=[part]))
    path = write_result(known, folder / "disc.lathe.h5")
    (folder / "flat.csv").unlink()
    return folder, known, even, path


def factor():
    flat = vignette() / vignette().max()
    flat[:, [13, 22]] = 0
    return flat


def printed_on_the_uneven_field(record, known):
    """The print of a record's patterns with the light of the other's projector."""
    light = {k: known.settings["light"][k] for k in ("illumination", "dead_columns", "dead_rows")}
    settings = {**record.settings, "light": {**record.settings["light"], **light}}
    return pipeline.predict(dataclasses.replace(record, settings=settings, optics=known.optics)).quality


def test_knowing_of_it_makes_the_print_right(designs):
    """The even design is right on an even field, and wrong on this one; the other is right on this one."""
    _, known, even, _ = designs
    assert even.quality["wrong_voxels"] == 0
    assert known.quality["wrong_voxels"] == 0
    assert known.quality["window_relative"] > 0.1
    blind = printed_on_the_uneven_field(even, known)
    assert blind["iou"] < 0.9  # too little light in all
    assert blind["window_relative"] < known.quality["window_relative"] - 0.08  # at any exposure; found 0.12, 0.24
    same = printed_on_the_uneven_field(known, known)
    assert same["window_relative"] == pytest.approx(known.quality["window_relative"], abs=1e-5)


def test_the_frames_on_the_uneven_field_leave_the_dose_predicted(designs, tmp_path):
    """By code that shares nothing with the package: the PNG images times the flat field as it was measured, and no
    more: the unevenness is undone once, in the design. 3e-3: as in test_frames_to_dose.py."""
    _, known, _, path = designs
    record = read_result(path)
    manifest = json.loads(pipeline.frames(record, tmp_path / "frames").read_text())
    assert manifest["illumination"]["file"] == "flat.csv"
    assert manifest["illumination"]["dead_columns"] == [13, 22]
    nx, ny, nz = record.part.grid.shape
    i, j = np.mgrid[:nx, :ny]
    x, y, z = ((n - (size - 1) / 2) * 0.25 for n, size in ((i, nx), (j, ny), (np.arange(nz), nz)))
    inside = np.hypot(x, y) <= 5.0
    predicted = known.prediction.dose.numpy()[inside]
    place = (tmp_path / "frames", x[inside], y[inside], z)
    assert off(dose_by_hand(*place, factor(), exponent=1.0), predicted) < 3e-3
    for wrong in (1.0, factor()[::-1], factor()[:, ::-1], factor() ** 2):
        assert off(dose_by_hand(*place, wrong, exponent=1.0), predicted) > 0.03
    images = [np.asarray(Image.open(tmp_path / "frames" / f["file"])) for f in manifest["frames"]]
    assert not np.stack(images)[:, :, [13, 22]].any()  # dead columns are told nothing
    assert np.stack(images).max() == 255 or known.quality["dimming"] < 1


def test_a_file_alone_predicts_it(designs):
    _, known, _, path = designs
    again = pipeline.predict(read_result(path), finer=False)
    np.testing.assert_allclose(again.dose, known.prediction.dose, rtol=1e-5, atol=1e-4)  # float32 sums
    with h5py.File(path) as file:
        light = file["optics/illumination"]
        assert (light.shape, list(light.attrs["dims"])) == ((COLUMNS, ROWS), ["column", "row"])
        np.testing.assert_allclose(light[:].T[::-1], factor(), rtol=1e-12)
    with pytest.raises(ResultError, match=r"names the illumination 'flat.csv' and holds no values"):
        pipeline.predict(dataclasses.replace(known, optics=known.optics.replace(illumination=None)))


def test_a_result_with_impossible_illumination_is_refused(designs, tmp_path):
    _, _, _, path = designs
    for value in (np.nan, -0.1, 1.5):
        shutil.copy(path, tmp_path / "bad.h5")
        with sealed_anew(tmp_path / "bad.h5") as file:
            file["optics/illumination"][3, 2] = value
        with pytest.raises(ResultError, match="illumination"):
            read_result(tmp_path / "bad.h5")


def test_equal_slices_with_unlike_light_have_designs_of_their_own(tmp_path):
    """A cylinder's slices are all alike: one design in even light, or with a vignette across alone; with one along the
    axis one for each pair of rows that see the same."""
    across = np.tile(np.linspace(0.5, 1, COLUMNS), (ROWS, 1))
    along = np.tile((1 - np.abs(np.arange(ROWS) - 9.5) / ROWS)[:, None], (1, COLUMNS))
    upward = np.tile(np.linspace(0.5, 1, ROWS)[:, None], (1, COLUMNS))
    found = []
    for flat in (None, across, along, upward):
        lines = []
        if flat is not None:
            np.savetxt(tmp_path / "flat.csv", flat, delimiter=",")
            lines = ['illumination = "flat.csv"']
        problem = problem_of(pipeline.prepare(job(tmp_path, *lines)))
        few = distinct(problem, Auto())
        found.append(len(few.first))
        patterns = torch.rand(few.problem.operator.pattern_shape)
        dose, own = problem.operator(few.spread(patterns)), few.problem.operator(patterns)
        slices = problem.target.solid.any(0).any(0).nonzero().flatten()
        torch.testing.assert_close(dose[:, :, slices], own[:, :, few.which], rtol=1e-5, atol=1e-6)
        assert len(same_slices(problem.target)[slices].unique()) == 1
    assert found == [1, 1, 2, 4]


def test_the_check_says_what_it_costs(tmp_path):
    """By hand: of 40 columns of 0.25 mm those within 2 mm light the part; columns 12 to 27 and one more at each end."""
    np.savetxt(tmp_path / "flat.csv", vignette(), delimiter=",")

    def asked(*lines):
        return check(job(tmp_path, *lines)).of("illumination")

    assert asked() == []
    (reason,) = asked('illumination = "flat.csv"')
    seen = (vignette() / vignette().max())[8:12, 11:29]
    assert reason.level == "will work"
    assert "irradiance_mw_cm2 is taken as that of the brightest place" in reason.text
    assert reason.number == pytest.approx(seen.min())
    assert f"{seen.mean():.2g} on average" in reason.text
    leaking = "response = { kind = 'measured', code = [0, 255], measured_light = [1, 9] }"
    (bright,) = asked('illumination = "flat.csv"', leaking)
    assert bright.number == reason.number  # a black that is not dark: all pixels count in the design, not here
    (reason,) = asked("dead_columns = [2, 20]", "dead_rows = [0, 9]")
    assert reason.level == "marginal"
    assert reason.text.startswith(
        "1 dead column among those that light the part (20). 1 dead row among those that light the part (9), at z = "
        "0.125 mm, where no light arrives."
    )
    (beside,) = asked("dead_columns = [2]", "dead_rows = [0]")
    assert (beside.level, beside.text) == ("will work", "dead columns and rows lie beside the part.")
    assert "dead column, which other directions make up for" in reason.change
    np.savetxt(tmp_path / "flat.csv", [[1.0, 0.1], [1.0, 0.1]], delimiter=",")
    (reason,) = asked('illumination = "flat.csv"')
    assert "its 2 x 2 values, interpolated linearly" in reason.text
    np.savetxt(tmp_path / "flat.csv", np.eye(ROWS, COLUMNS), delimiter=",")
    (reason,) = asked('illumination = "flat.csv"', f"dead_columns = {list(range(6, 14))}")
    assert reason.level == "cannot work"


def test_the_check_of_the_memory_knows_no_field_of_another_size(tmp_path):
    """It tries larger pixels, so fewer: values for each pixel, dead columns and the axis must not stop it."""
    np.savetxt(tmp_path / "flat.csv", vignette(), delimiter=",")
    lines = ('illumination = "flat.csv"', "dead_columns = [39]", "dead_rows = [19]", "axis_offset_pixels = 11.5")
    (reason,) = check(job(tmp_path, *lines), machine=Machine("cuda", 5e5)).of("effort")
    assert reason.level == "does not fit this machine"
    assert "times as large" in reason.change


def test_less_light_takes_longer(tmp_path):
    """Half of the light everywhere but in a corner: twice the exposure, and the check's longest twice as long."""
    flat = np.full((ROWS, COLUMNS), 0.5)
    flat[0, 0] = 1.0
    np.savetxt(tmp_path / "flat.csv", flat, delimiter=",")
    dim, full = job(tmp_path, 'illumination = "flat.csv"', iterations=8), job(tmp_path, iterations=8)
    one, other = pipeline.design(dim), pipeline.design(full)
    shown = [float(r.patterns.fractions().sum()) * r.patterns.exposure_s for r in (one, other)]
    assert shown[0] / shown[1] == pytest.approx(2, rel=0.02)  # levels of 8 bits, dimmed unlike


def test_a_dead_row_in_the_part_leaves_it_liquid_there(tmp_path):
    """Designed against the check's advice: that slice stays liquid, all others come out right, and nothing breaks."""
    record = pipeline.design(job(tmp_path, "dead_rows = [9]"))
    solid = record.prediction.solid
    part = record.part.judged == 2
    height = part.any(0).any(0).nonzero().flatten()
    dead = record.part.grid.shape[2] // 2  # row 9 from the top of 20 lies half a row above the middle
    assert float(record.prediction.dose[:, :, dead].max()) == 0
    assert [int(k) for k in height if not solid[:, :, k].any()] == [dead]
    assert write_result(record, tmp_path / "disc.lathe.h5").exists()
    assert pipeline.summary(record, tmp_path / "disc.lathe.h5")
