"""Meshes whose flat ends lie between two rows of pixels are laid onto rows, unless the job says where they lie."""

import pytest
import trimesh

from lightlathe.flow.prepare import prepare
from lightlathe.flow.solids import load_solids
from lightlathe.job import parse_job
from lightlathe.pipeline import design

HEAD = '[[part]]\nmesh = "a.stl"\nunit = "mm"\n'


def bottoms(small_job, folder, height=1.0, more="", grid="", pixel=0.25):
    """The z of the part's bottom and the lines that were said of it."""
    trimesh.creation.box((4, 4, height)).export(folder / "a.stl")
    text = small_job()
    text = (HEAD + more + text[text.index("[vial]") :]).replace("[grid]", "[grid]\n" + grid)
    text = text.replace("pixel_mm = 0.25", f"pixel_mm = {pixel}")
    solids, said = load_solids(parse_job(text, name="t", folder=folder))
    return solids[0].form.bounds_mm[0, 2], [line for line in said if "lie on rows of pixels" in line]


def test_a_box_between_rows_goes_half_a_row_up_and_a_line_says_so(small_job, tmp_path):
    """20 rows of 0.25 mm lie at odd eighths of a millimetre; the box reaches from -0.5 to 0.5 mm."""
    low, said = bottoms(small_job, tmp_path)
    assert low == pytest.approx(-0.375)
    assert len(said) == 1
    assert said[0].startswith("everything is laid 0.125 mm higher")


@pytest.mark.parametrize(
    "given",
    [
        {"height": 1.25},  # lies on rows
        {"more": "shift_mm = [0, 0, 0.01]\n"},
        {"more": "centre = false\n"},
        {"grid": 'level_ends = "as_placed"\n'},
        {"pixel": 0.375},  # voxels are no whole share of a row
    ],
)
def test_it_stays_where_it_lies_well_or_the_job_says_where(small_job, tmp_path, given):
    low, said = bottoms(small_job, tmp_path, **given)
    at = {"height": -0.625, "more": -0.49 if "shift" in str(given) else -0.5}.get(next(iter(given)), -0.5)
    assert low == pytest.approx(at)
    assert not said


def test_the_design_says_it_too(small_job, tmp_path):
    bottoms(small_job, tmp_path)
    text = small_job()
    setup = prepare(parse_job(HEAD + text[text.index("[vial]") :], name="t", folder=tmp_path))
    assert any("lie on rows of pixels" in line for line in setup.warnings)


@pytest.mark.parametrize("height", [0.95, 1.0, 1.1])
def test_it_is_laid_where_it_prints_truer(small_job, tmp_path, height):
    """Boxes whose ends reach 0.1 of a row less than the middle between two rows, to it, and 0.2 past it, in float32."""
    agreed = []
    for ends in ("on_rows", "as_placed"):
        bottoms(small_job, tmp_path, height)
        text = small_job()
        text = HEAD + text[text.index("[vial]") :].replace("[grid]", f'[grid]\nlevel_ends = "{ends}"')
        agreed.append(design(parse_job(text, name="t", folder=tmp_path)).quality["iou_fine"])
    assert agreed[0] == agreed[1] if height < 1 else agreed[0] > agreed[1] + 0.02
