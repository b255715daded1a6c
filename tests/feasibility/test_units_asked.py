"""The check of lengths in another unit than meant: the question leads what helps most."""

import pytest
import trimesh

from lightlathe.cli.main import main
from lightlathe.errors import JobError
from lightlathe.feasibility import check
from lightlathe.flow.solids import load_solids
from lightlathe.job import parse_job


def change_of(small_job, folder, topic, size=(4.0, 4.0, 1.0), unit="mm", **changes):
    """What helps most with a topic, of a box of this size in its file's numbers; vial 10 x 12 mm, picture 10 x 5 mm."""
    trimesh.creation.box(size).export(folder / "a.stl")
    text = small_job()
    text = f'[part]\nmesh = "a.stl"\nunit = "{unit}"\n\n' + text[text.index("[vial]") :]
    for key, (now, other) in changes.items():
        assert f"{key} = {now}" in text
        text = text.replace(f"{key} = {now}", f"{key} = {other}")
    job = parse_job(text, name="t", folder=folder)
    verdict = check(job, load_solids(job)[0])
    return verdict.level, next((reason.change for reason in verdict.of(topic)), "")


@pytest.mark.parametrize(
    ("size", "unit", "topic", "asked"),
    [
        ((4.0, 4.0, 1.0), "inch", "room", "Is the unit of the mesh mm (4 x 4 x 1 mm), not inch?"),
        ((4.0, 4.0, 1.0), "um", "place", "Is the unit of the mesh mm (4 x 4 x 1 mm), not um?"),
        ((4000.0, 4000.0, 1000.0), "mm", "room", "Is the unit of the mesh um (4 x 4 x 1 mm), not mm?"),
        # fits in no unit of the vial: those of a size that is printed
        ((0.02, 0.02, 0.005), "mm", "place", "Is the unit of the mesh m (20 x 20 x 5 mm) or inch (0.508 x "),
    ],
)
def test_a_mesh_in_another_unit(small_job, tmp_path, size, unit, topic, asked):
    level, change = change_of(small_job, tmp_path, topic, size, unit)
    assert level == "cannot work"
    assert change.startswith(asked)
    assert " Else " in change


def test_a_part_that_is_simply_too_large_is_not_asked_about(small_job, tmp_path):
    level, change = change_of(small_job, tmp_path, "room", (12.0, 12.0, 4.0))
    assert level == "cannot work"
    assert "unit" not in change


@pytest.mark.parametrize(
    ("key", "now", "other", "asked"),
    [
        ("inner_diameter_mm", "10", "1.0", "Is inner_diameter_mm in cm? In mm it is 10, which would hold the part."),
        ("resin_height_mm", "12", "0.5", "Is resin_height_mm in cm? In mm it is 5, which would hold the part."),
    ],
)
def test_a_vial_in_another_unit(small_job, tmp_path, key, now, other, asked):
    level, change = change_of(small_job, tmp_path, "room", **{key: (now, other)})
    assert level == "cannot work"
    assert change.startswith(asked)


def test_a_vial_in_metres_is_told_from_a_pixel_in_micrometres(small_job, tmp_path):
    with pytest.raises(JobError, match=r"If inner_diameter_mm is in m, write inner_diameter_mm = 10\."):
        change_of(small_job, tmp_path, "room", inner_diameter_mm=("10", "0.01"))
    with pytest.raises(JobError, match=r"write pixel_mm = 0\.25\.$"):
        change_of(small_job, tmp_path, "room", pixel_mm=("0.25", "250"))


def test_it_leads_in_what_the_command_prints(small_job, tmp_path, capsys):
    trimesh.creation.box((4, 4, 1)).export(tmp_path / "a.stl")
    text = small_job()
    (tmp_path / "a.toml").write_text('[part]\nmesh = "a.stl"\nunit = "inch"\n\n' + text[text.index("[vial]") :])
    assert main(["check", str(tmp_path / "a.toml")]) == 4
    lines = capsys.readouterr().out.splitlines()
    assert lines[2].strip().startswith("helps most: Is the unit of the mesh mm")
