"""`--json` of every command that prints figures or names of files: one JSON value on standard output, nothing else."""

import json

import pytest

from lightlathe import bench
from lightlathe.cli.main import main
from lightlathe.cli.options import COMMANDS
from lightlathe.resins.known import KNOWN
from lightlathe.result import read_result

ALIGNMENT = "row,column_at_0_deg,column_at_180_deg\n2,21,19\n17,21,19\n"
STUDY = """[study]
jobs = ["disc.toml"]
repeats = 1
bound_iterations = 0
vary = { "design.loss" = ["gap_hinge", "logistic"] }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory, small_job):
    """A job, its result and a study of it."""
    folder = tmp_path_factory.mktemp("json")
    (folder / "disc.toml").write_text(small_job(iterations=2))
    (folder / "study.toml").write_text(STUDY)
    (folder / "alignment.csv").write_text(ALIGNMENT)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        main(["design", "disc.toml"])
        main(["compare", "study.toml"])
    return folder


def said(capsys, *command):
    """The JSON that a command prints, its notes aside."""
    capsys.readouterr()
    assert main([*command, "--json"]) in (0, 3, 4, 5)
    return json.loads(capsys.readouterr().out)


def test_every_command_but_help_has_it(capsys):
    for command in set(COMMANDS) - {"help"}:
        with pytest.raises(SystemExit):
            main([command, "--help"])
        assert "--json" in capsys.readouterr().out, command


def test_those_that_need_no_result(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    assert said(capsys, "check", "disc.toml")["exit_code"] in (0, 3)
    assert said(capsys, "init", "new") == {"job": "new/new.toml", "mesh": "new/check_valve.stl"}
    assert len(said(capsys, "resin", "--known")["known"]) == len(KNOWN)
    assert said(capsys, "projector", "alignment.csv", "--job", "disc.toml")


def test_those_of_a_result(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    quality = read_result("disc.lathe.h5").quality
    assert said(capsys, "design", "disc.toml", "--force")["quality"]["iou"] == quality["iou"]
    assert said(capsys, "show", "disc.lathe.h5")["quality"]["iou"] == quality["iou"]
    assert said(capsys, "predict", "disc.lathe.h5")["iou"] == pytest.approx(quality["iou"])
    assert len(said(capsys, "predict", "disc.lathe.h5", "--assumptions")) > 3
    assert said(capsys, "predict", "disc.lathe.h5", "--came-out", "too thin by 0.02 mm", "--keep")["prints"]


def test_pages_and_studies(folder, monkeypatch, capsys):
    pytest.importorskip("plotly")
    monkeypatch.chdir(folder)
    page = said(capsys, "report", "disc.lathe.h5")
    assert page == {"report": "disc.html", "bytes": (folder / "disc.html").stat().st_size, "of": ["disc.lathe.h5"]}
    assert said(capsys, "report", "study.study.h5")["report"] == "study.html"
    assert len(said(capsys, "compare", "study.study.h5")["runs"]) == 2


def test_all_that_is_exported(folder, monkeypatch, capsys):
    pytest.importorskip("av")
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(folder)
    files = "--video v.mkv --player p --figures g --picture m.png --surface s.ply --volume v.vti"
    found = said(capsys, "export", "disc.lathe.h5", "--frames", "f", *files.split())
    assert set(found) == {"frames", "video", "player", "figures", "picture", "surface", "volume"}
    named = [found[name] for name in ("frames", "player", "picture")] + found["figures"]
    named += [found[name]["file"] for name in ("video", "surface", "volume")]
    assert all((folder / path).is_file() for path in named)
    (folder / "wide.toml").write_text((folder / "disc.toml").read_text().replace("rows = 20", "rows = 30"))
    assert said(capsys, "export", "wide.toml", "--calibration", "c") == {"calibration": "c/README.md"}


def test_bench(folder, monkeypatch, capsys):
    """What it measures is tested in bench/test_bench.py; here it measures nothing."""
    measured = {"format": "lightlathe-bench", "rows": [], "machine": {}}
    for name, stub in (("run", lambda **_: measured), ("table", lambda _: "table")):
        monkeypatch.setattr(bench, name, stub)
    monkeypatch.setattr("lightlathe.feasibility.measured.keep", lambda *_: True)
    monkeypatch.chdir(folder)
    found = said(capsys, "bench", "--device", "cpu")
    assert found == {"file": "bench-cpu.json", "bench": measured, "against": []}


@pytest.mark.parametrize("command", ["report", "show"])
def test_a_study_file_is_told_from_a_job(folder, monkeypatch, capsys, command):
    monkeypatch.chdir(folder)
    assert main([command, "study.toml"]) == 1
    told = capsys.readouterr().err
    assert "is a study file (TOML); expected a result (HDF5). `lightlathe compare study.toml -o study.study.h5`" in told
    assert main([command, "disc.toml"]) == 1
    assert "`lightlathe design disc.toml` makes the result of a job" in capsys.readouterr().err


def test_a_study_file_is_no_job(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    assert main(["design", "study.toml"]) == 1
    assert "It is a study file: `lightlathe compare` takes it" in capsys.readouterr().err
