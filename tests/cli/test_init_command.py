"""`lightlathe init`: a job that works as it stands, and nothing replaced."""

from pathlib import Path

import pytest

from lightlathe.cli.init import write_example
from lightlathe.cli.main import main
from lightlathe.flow.solids import load_solids
from lightlathe.job import load_job, resolved

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "engine" / "lightlathe" / "cli" / "example"


@pytest.mark.parametrize(
    ("here", "there"), [("quickstart.toml", "quickstart.toml"), ("check_valve.stl", "meshes/check_valve.stl")]
)
def test_the_package_holds_the_quickstart_itself(here, there):
    assert (EXAMPLE / here).read_bytes() == (ROOT / "configs" / there).read_bytes()


def test_the_job_is_the_quickstart_beside_its_mesh(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["init", "new/folder"]) == 0
    said = capsys.readouterr().out
    assert sorted(p.name for p in (tmp_path / "new" / "folder").iterdir()) == ["check_valve.stl", "folder.toml"]
    for command in ("check", "design"):
        assert f"lightlathe {command} new/folder/folder.toml" in said
    job = load_job("new/folder/folder.toml")
    assert "configs" not in job.text
    assert "meshes/" not in job.text
    quickstart = resolved(load_job(ROOT / "configs" / "quickstart.toml"))
    quickstart["part"][0]["mesh"] = "check_valve.stl"
    assert resolved(job) == quickstart
    assert len(load_solids(job)[0]) == 1


def test_the_job_has_the_name_of_its_folder(tmp_path, monkeypatch):
    for folder, name in (("my_print", "my_print"), ("my print", "job"), ("a/b.c", "b.c")):
        assert write_example(tmp_path / folder)[0] == tmp_path / folder / f"{name}.toml"
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    assert write_example(Path())[0].name == "here.toml"


@pytest.mark.parametrize("name", ["valve.toml", "check_valve.stl"])
def test_nothing_is_replaced_and_nothing_half_written(name, tmp_path, monkeypatch, capsys):
    folder = tmp_path / "valve"
    folder.mkdir()
    monkeypatch.chdir(folder)
    Path(name).write_text("mine")
    assert main(["init"]) == 1
    error = capsys.readouterr().err
    assert f"{name}: is there already; nothing was written" in error
    assert [(p.name, p.read_text()) for p in folder.iterdir()] == [(name, "mine")]
    assert main(["init", name]) == 1
    assert "is a file; expected a folder" in capsys.readouterr().err


def test_a_folder_that_cannot_be_made_is_one_line(capsys):
    assert main(["init", "/proc/none"]) == 1
    error = capsys.readouterr().err
    assert "/proc/none" in error
    assert "Traceback" not in error
