"""Meshes whose flat ends lie between two rows of pixels are laid onto rows, unless the job says where they lie."""

import pytest
import trimesh

from lightlathe.cli.main import main
from lightlathe.flow.solids import load_solids
from lightlathe.job import parse_job
from lightlathe.pipeline import design, summary

HEAD = '[[part]]\nmesh = "a.stl"\nunit = "mm"\n'


def bottoms(small_job, folder, height=1.0, more="", grid="", pixel=0.25):
    """The z of the part's bottom, how far it was moved, and the warnings about its place on the rows."""
    trimesh.creation.box((4, 4, height)).export(folder / "a.stl")
    text = small_job()
    text = (HEAD + more + text[text.index("[vial]") :]).replace("[grid]", "[grid]\n" + grid)
    text = text.replace("pixel_mm = 0.25", f"pixel_mm = {pixel}")
    solids, said = load_solids(parse_job(text, name="t", folder=folder))
    return solids[0].form.bounds_mm[0, 2], solids[0].onto_rows_mm, [line for line in said if "rows of pixels" in line]


def test_a_box_between_rows_goes_half_a_row_up_and_a_line_says_so(small_job, tmp_path):
    """20 rows of 0.25 mm lie at odd eighths of a millimetre; the box reaches from -0.5 to 0.5 mm."""
    low, moved, said = bottoms(small_job, tmp_path)
    assert low == pytest.approx(-0.375)
    assert moved == pytest.approx(0.125)
    assert not said


@pytest.mark.parametrize(
    "given",
    [
        {"height": 1.25},  # lies on rows
        {"more": "shift_mm = [0, 0, 0.06]\n"},
        {"more": "centre = false\n"},
        {"grid": 'level_ends = "as_placed"\n'},
        {"pixel": 0.375},  # voxels are no whole share of a row
    ],
)
def test_it_stays_where_it_lies_well_or_the_job_says_where(small_job, tmp_path, given):
    low, moved, said = bottoms(small_job, tmp_path, **given)
    at = {"height": -0.625, "more": -0.44 if "shift" in str(given) else -0.5}.get(next(iter(given)), -0.5)
    assert low == pytest.approx(at)
    assert moved == 0
    assert not said


def test_a_shift_that_was_made_for_another_mesh_is_warned_of(small_job, tmp_path):
    """0.125 mm lays a box of 1 mm onto rows, and one of 1.25 mm, which lies on them by itself, half a row off."""
    shift = "shift_mm = [0, 0, 0.125]\n"
    assert not bottoms(small_job, tmp_path, more=shift)[2]
    low, moved, said = bottoms(small_job, tmp_path, height=1.25, more=shift)
    assert low == pytest.approx(-0.5)  # the job's own shift is kept
    assert moved == 0
    assert len(said) == 1
    assert "puts the part's flat ends between two rows of pixels" in said[0]
    assert "+0.125 mm more" in said[0] or "-0.125 mm more" in said[0]


def test_check_and_summary_say_that_it_was_moved(small_job, tmp_path, capsys):
    bottoms(small_job, tmp_path)
    text = small_job()
    (tmp_path / "a.toml").write_text(HEAD + text[text.index("[vial]") :])
    said = "moved up by 0.125 mm, so that flat ends lie on rows of pixels"
    assert main(["check", str(tmp_path / "a.toml")]) in (0, 3)
    assert said in capsys.readouterr().out
    record = design(tmp_path / "a.toml")
    assert record.facts["moved_onto_rows_mm"] == pytest.approx(0.125)
    assert said in summary(record, tmp_path / "a.lathe.h5")
    assert not any("rows of pixels" in line for line in record.warnings)


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
