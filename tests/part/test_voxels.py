"""Parts given as arrays: what they share with the voxels of any grid, their box, walls and facets."""

import numpy as np
import pytest
import torch

import lightlathe as ll
from lightlathe import pipeline
from lightlathe.errors import JobError, PartError
from lightlathe.job import job_from, parse_job
from lightlathe.part.shapes import Box
from lightlathe.part.thin import thin_walls
from lightlathe.quantities import Grid
from lightlathe.result import read_result, write_result

JOB = {
    "vial": {"inner_diameter_mm": 10, "resin_height_mm": 12},
    "resin": {"absorption_per_mm": 0.1, "liquid_below_mj_cm3": 40, "solid_above_mj_cm3": 44},
    "light": {"pixel_mm": 0.25, "columns": 40, "rows": 20, "irradiance_mw_cm2": 20},
    "turn": {"angles": 60, "seconds_per_turn": 10},
    "grid": {"voxel_mm": 0.25},
    "design": {"iterations": 3, "bound_iterations": 0},
}
BLOCK = np.zeros((6, 8, 5), bool)
BLOCK[1:5, 2:7, 1:4] = True  # 4 x 5 x 3 voxels, not in the middle
OFF = (0.3, -0.2, 0.1)
AS_BOX = Box(4 * 0.5, 5 * 0.5, 3 * 0.5, (0.3, -0.2 + 0.25, 0.1))


@pytest.mark.parametrize("grid", [Grid((20, 21, 12), 0.5), Grid((31, 30, 9), 0.37), Grid((9, 9, 4), 1.3)])
def test_a_block_covers_what_the_box_does(grid):
    """Analytic shares of a box against the overlap of arrays, for grids finer, coarser and off."""
    voxels = ll.Voxels(BLOCK, 0.5, OFF)
    torch.testing.assert_close(voxels.coverage(grid), AS_BOX.coverage(grid), rtol=0, atol=1e-6)


def test_a_block_measures_what_the_box_does():
    voxels = ll.Voxels(BLOCK, 0.5, OFF)
    np.testing.assert_allclose(voxels.bounds_mm, AS_BOX.bounds_mm, atol=1e-12)
    assert voxels.volume_mm3 == pytest.approx(AS_BOX.volume_mm3)
    assert voxels.reach_mm == pytest.approx(AS_BOX.reach_mm)
    assert voxels.thinnest_mm == pytest.approx(AS_BOX.thinnest_mm)


def test_facets_close_around_the_volume():
    """Volume by the divergence theorem: facets face outwards and leave no hole, whatever the solid."""
    mask = np.random.default_rng(0).random((7, 6, 5)) > 0.5
    voxels = ll.Voxels(mask, 0.5, OFF)
    a, b, c = np.moveaxis(voxels.triangles(), 1, 0)
    assert np.einsum("ij,ij->", a, np.cross(b, c)) / 6 == pytest.approx(mask.sum() * 0.125)
    np.testing.assert_allclose(np.cross(b - a, c - a).sum(0), 0, atol=1e-12)


def test_the_thin_wall_of_a_plate_is_found():
    plate = np.zeros((20, 20, 6), bool)
    plate[2:18, 2:18, 2:4] = True
    report = thin_walls(ll.Voxels(plate, 0.1), Grid((10, 10, 10), 0.25))
    assert report.thinnest_mm == pytest.approx(0.2)
    assert "may break up" in report.warnings[0]


@pytest.mark.parametrize(
    ("covered", "more", "says"),
    [
        (np.ones((2, 2)), {}, r"shape \(2, 2\); expected \(x, y, z\)"),
        (np.ones((2, 0, 2)), {}, r"shape \(2, 0, 2\)"),
        (np.full((2, 2, 2), 1.5), {}, "from 1.5 to 1.5; expected numbers of 0 to 1"),
        (np.full((2, 2, 2), np.nan), {}, "no NaN"),
        (np.zeros((2, 2, 2)), {}, "0 everywhere"),
        (np.full((2, 2, 2), "a"), {}, "expected bool"),
        (np.ones((2, 2, 2)), {"voxel_mm": 0}, "voxel_mm is 0"),
        (np.ones((2, 2, 2)), {"at_mm": (0, 0)}, "three finite numbers"),
    ],
)
def test_what_is_no_part(covered, more, says):
    with pytest.raises(PartError, match=says):
        ll.Voxels(covered, **{"voxel_mm": 0.5} | more)


def test_a_tensor_is_copied():
    given = torch.ones(2, 2, 2)
    voxels = ll.Voxels(given, 0.5)
    given.zero_()
    assert voxels.volume_mm3 == 1.0


def test_a_design_of_an_array_is_that_of_the_shape_and_its_record_predicts(tmp_path):
    array, box = (
        ll.Voxels(BLOCK, 0.5, OFF),
        {"kind": "box", "x_mm": 2.0, "y_mm": 2.5, "z_mm": 1.5, "at_mm": [*AS_BOX.at_mm]},
    )
    one, other = (ll.design({"part": {"shape": shape}, **JOB}) for shape in (array, box))
    assert float((one.part.coverage - other.part.coverage).abs().max()) < 1e-6
    assert one.quality["iou_fine"] == pytest.approx(other.quality["iou_fine"], abs=0.02)
    back = read_result(write_result(one, tmp_path / "a.h5"))
    assert back.settings["part"][0]["shape"]["cells"] == [6, 8, 5]
    assert pipeline.predict(back).quality["iou"] == pytest.approx(one.quality["iou"])
    with pytest.raises(JobError, match="unknown kind 'voxels'"):  # the text says what it was, and cannot give it
        parse_job(back.job_toml, name="again", folder=tmp_path)


def test_a_dict_is_the_job_that_its_file_is(tmp_path):
    tables = {"part": [{"shape": {"kind": "box", "x_mm": 2, "y_mm": 2, "z_mm": 1}, "role": "part"}], **JOB}
    tables["light"] = {
        **JOB["light"],
        "response": {"kind": "table", "code": (0, 0.5, 1), "relative_light": (0, 0.2, 1)},
    }
    made = job_from(tables, folder=tmp_path)
    again = parse_job(made.text, name="job", folder=tmp_path)
    assert again == made
    path = tmp_path / 'a "job".toml'
    path.write_text(made.text)
    assert torch.equal(ll.design(path).patterns.levels, ll.design(tables).patterns.levels)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"light": {**JOB["light"], "pixl_mm": 1}}, r"job \[light\]: unknown key 'pixl_mm'. Did you mean 'pixel_mm'"),
        ({"vial": 3}, r"job \[vial\]: got 3; expected a table"),
        ({3: {}}, "the key 3 is a int; expected a text"),
        ({"grid": {"voxel_mm": np.zeros(2)}}, "voxel_mm is"),
        ({"vial": None}, r"table \[vial\] is missing"),
        ({"part": {"shape": np.zeros((2, 2, 2))}}, "expected a name or a table with the key 'kind'"),
    ],
)
def test_a_dict_has_the_errors_of_a_file(change, says):
    with pytest.raises(JobError, match=says):
        ll.job_from({"part": {"shape": AS_BOX}, **JOB} | change)


def test_what_is_no_job():
    with pytest.raises(JobError, match="expected a dict"):
        ll.job_from([1])
