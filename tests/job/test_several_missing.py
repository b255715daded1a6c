"""Errors of a job that name all there is to mend: two brackets, all keys of a bare vial, the table of a key."""

import re

import pytest

from lightlathe.cli.main import main
from lightlathe.errors import JobError
from lightlathe.job import parse_job
from lightlathe.job.keys import table_of

INSERT = '\n[[part]]\nrole = "insert"\nshape = { kind = "cylinder", radius_mm = 0.6, height_mm = 40.0 }\n'


def test_an_insert_pasted_below_one_part_is_told_where_two_brackets_belong(small_job, tmp_path):
    text = small_job()
    line = text[: text.index("[part]")].count("\n") + 1
    for pasted in (INSERT, INSERT.replace("[[part]]", "[part]")):
        with pytest.raises(JobError, match=rf"change \[part\] to \[\[part\]\] in line {line}\b"):
            parse_job(text + pasted, name="t", folder=tmp_path)
    job = parse_job(text.replace("[part]", "[[part]]") + INSERT, name="t", folder=tmp_path)
    assert [part.role for part in job.parts] == ["part", "insert"]


def test_another_table_that_stands_there_twice_is_to_be_one(small_job, tmp_path):
    with pytest.raises(JobError, match=r"\[vial\] stands there twice: put its keys into one"):
        parse_job(small_job() + "\n[vial]\nwall_mm = 1\n", name="t", folder=tmp_path)


def test_the_insert_of_the_readme_pastes_into_the_job_of_init(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["init", "here"]) == 0
    job = tmp_path / "here" / "here.toml"
    parts = parse_job(job.read_text() + INSERT, name="t", folder=job.parent).parts
    assert [part.role for part in parts] == ["part", "insert"]


def test_a_bare_vial_is_told_all_that_it_lacks_at_once(small_job, tmp_path):
    text = small_job().replace("[vial]", '[vial]\nsurroundings = "air"')
    with pytest.raises(JobError, match="3 keys") as caught:
        parse_job(text, name="t", folder=tmp_path)
    assert re.findall(r"\n  (\w+) in \[(\w+)\]:", str(caught.value)) == [
        ("wall_mm", "vial"), ("wall_index", "vial"), ("refractive_index", "resin"),
    ]  # fmt: skip
    whole = text.replace("[vial]", "[vial]\nwall_mm = 1.0\nwall_index = 1.48").replace(
        "[resin]", "[resin]\nrefractive_index = 1.5"
    )
    assert parse_job(whole, name="t", folder=tmp_path).vial.wall_index == 1.48


@pytest.mark.parametrize(
    ("key", "table"),
    [("iterations", "design"), ("angles", "turn"), ("voxel_mm", "grid"), ("pixel_mm", "light"), ("unit", "part"),
     ("inner_diameter_mm", "vial"), ("solid_above_mj_cm3", "resin"), ("nonsense", None)],
)  # fmt: skip
def test_an_option_called_like_a_key_is_told_where_that_belongs(key, table, capsys):
    assert table_of(key) == table
    with pytest.raises(SystemExit):
        main(["design", "job.toml", f"--{key.replace('_', '-')}", "150"])
    said = capsys.readouterr().err
    assert (f"under [{table}] write {key} = 150." in said) == (table is not None)
