"""`lightlathe compare` as a person at a terminal meets it: a study made, stopped, shown again, refused."""

import json
import os
import signal
import subprocess
import sys
import time

import h5py
import pytest
from PIL import Image

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.flow import one_stage
from lightlathe.result.claim import claimed
from lightlathe.study.file import read_study

STUDY = """
[study]
jobs = ["disc.toml"]
repeats = 2
bound_iterations = 20
[study.set]
"design.iterations" = 5
[study.vary]
"design.loss" = ["gap_hinge", "squared_error"]
"""


@pytest.fixture
def folder(tmp_path, small_job, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "disc.toml").write_text(small_job())
    (tmp_path / "losses.toml").write_text(STUDY)
    return tmp_path


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_a_study_from_start_to_pictures_and_shown_again(folder, capsys, monkeypatch):
    assert main(["compare", "losses.toml", "--plots", "plots"]) == 0
    said = capsys.readouterr().out
    assert "4 designs to make, 0 made already; all in losses.study.h5" in said
    for words in (
        "disc: squared_error, repeat 1: true IoU",
        "disc, ranked by true IoU (iou_fine)",
        "to bound",
        "light mJ",
        "another design.loss, all else the same, moves true IoU by",
        "chance",
        "picture: plots/losses-disc.svg",
    ):
        assert words in said, words
    assert names(folder) == ["disc.toml", "losses.study.h5", "losses.toml", "plots"]
    assert names(folder / "plots") == ["losses-disc.png", "losses-disc.svg"]
    assert main(["compare", "losses.study.h5", "--json", "--plots", "plots"]) == 0
    figures = json.loads(capsys.readouterr().out)  # nothing else is there
    assert [run["figures"]["iou_fine"] for run in figures["runs"]] == [
        run.figures["iou_fine"] for run in read_study(folder / "losses.study.h5").runs
    ]
    assert {line["rank"] for line in figures["ranking"]} <= {1, 2}
    with Image.open(folder / "plots" / "losses-disc.png") as image:
        assert image.format == "PNG"

    monkeypatch.setattr(pipeline, "design", lambda *_, **__: pytest.fail("a study that is only shown designs nothing"))
    before = (folder / "losses.study.h5").read_bytes()
    (folder / "disc.toml").unlink()  # the study file is enough
    assert main(["compare", "losses.study.h5"]) == 0
    assert capsys.readouterr().out == said[said.index("disc, ranked by true IoU (iou_fine)") : said.index("picture:")]
    assert main(["compare", "losses.study.h5", "--rank-by", "seconds", "--plots", "again"]) == 0
    assert "disc, ranked by seconds" in capsys.readouterr().out
    assert names(folder / "again") == names(folder / "plots")
    assert (folder / "losses.study.h5").read_bytes() == before


def test_a_finished_study_resumed_makes_nothing_new(folder, capsys):
    assert main(["compare", "losses.toml", "-o", "a.h5"]) == 0
    first = read_study("a.h5")
    assert main(["compare", "losses.toml", "-o", "a.h5"]) == 1
    assert "is there already" in capsys.readouterr().err
    assert main(["compare", "losses.toml", "-o", "a.h5", "--resume"]) == 0
    assert "0 designs to make, 4 made already" in capsys.readouterr().out
    assert [r.figures["seconds"] for r in read_study("a.h5").runs] == [r.figures["seconds"] for r in first.runs]


def test_ctrl_c_leaves_a_whole_study_and_says_how_to_go_on(folder, capsys, monkeypatch):
    real, count = one_stage.solve, []

    def interrupted(*args, **kwargs):
        count.append(1)
        if len(count) == 3:
            raise KeyboardInterrupt
        return real(*args, **kwargs)

    monkeypatch.setattr(one_stage, "solve", interrupted)
    assert main(["compare", "losses.toml"]) == 130
    error = capsys.readouterr().err
    assert "Go on with: lightlathe compare losses.toml -o losses.study.h5 --resume" in error
    assert "Traceback" not in error
    assert names(folder) == ["disc.toml", "losses.study.h5", "losses.toml"]
    assert len(read_study("losses.study.h5").runs) == 2
    assert main(["compare", "losses.toml", "-o", "losses.study.h5", "--resume"]) == 0
    assert "2 designs to make, 2 made already" in capsys.readouterr().out
    assert len(read_study("losses.study.h5").runs) == 4


def test_a_polite_kill_does_the_same(folder):
    """SIGTERM to the program itself, in the middle of a long study: exit code 130, no traceback, a readable file."""
    (folder / "losses.toml").write_text(STUDY.replace("repeats = 2", "repeats = 100"))
    command = [sys.executable, "-m", "lightlathe", "compare", "losses.toml"]
    program = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    try:
        until = time.monotonic() + 100  # many times what it needs; it ends with the first run written
        while not os.path.exists("losses.study.h5") and program.poll() is None and time.monotonic() < until:
            time.sleep(0.05)
        program.send_signal(signal.SIGTERM)
        error = program.communicate(timeout=60)[1]
    finally:
        program.kill()
    assert program.returncode == 130, error
    assert "--resume" in error
    assert "Traceback" not in error
    assert 1 <= len(read_study("losses.study.h5").runs) < 200
    assert not [n for n in names(folder) if n.endswith(".writing")]


def test_stopped_before_the_first_run_nothing_is_promised(folder, capsys, monkeypatch):
    monkeypatch.setattr(one_stage, "solve", lambda *_, **__: (_ for _ in ()).throw(KeyboardInterrupt))
    assert main(["compare", "losses.toml"]) == 130
    assert "--resume" not in capsys.readouterr().err
    assert names(folder) == ["disc.toml", "losses.toml"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["none.toml"], "cannot read the study file"),
        (["none.h5"], "no such file"),
        (["disc.toml"], "`lightlathe design`"),
        (["losses.toml", "-o", "."], "is a folder"),
        (["losses.toml", "-o", "disc.toml/x.h5"], "cannot be written"),
        (["losses.toml", "--rank-by", "beauty"], "cannot be ranked by 'beauty'"),
        (["losses.toml", "--plots", "disc.toml"], "disc.toml: cannot be made a folder"),
        (["broken.toml"], "unknown kind 'sqared_error'. Did you mean 'squared_error'?"),
        (["other.h5"], "its format is 'lightlathe-result'"),
        (["text.h5"], "text.h5: is a text file; expected a study (HDF5)."),
        (["other.h5", "--resume"], "-o and --resume go with a study file"),
        (["losses.toml", "-o", "text.h5", "--resume"], "is a text file, not a study; it is not replaced"),
    ],
)
def test_mistakes_end_in_one_clear_error_before_any_work(folder, capsys, monkeypatch, arguments, words):
    (folder / "broken.toml").write_text(STUDY.replace('"squared_error"', '"sqared_error"'))
    (folder / "text.h5").write_text("not HDF5")
    with h5py.File(folder / "other.h5", "w") as file:
        file.attrs.update({"format": "lightlathe-result", "format_version": 1})
    before = names(folder)
    monkeypatch.setattr(pipeline, "design", lambda *_, **__: pytest.fail("a design began"))
    assert main(["compare", *arguments]) == 1
    out, error = capsys.readouterr()
    assert words in error
    assert "Traceback" not in error
    assert "design" not in out
    assert names(folder) == before


def test_without_matplotlib_plots_are_refused_before_any_work(folder, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    assert main(["compare", "losses.toml", "--plots", "plots"]) == 1
    error = capsys.readouterr().err
    assert "pip install 'matplotlib>=" in error
    assert names(folder) == ["disc.toml", "losses.toml"]
    assert main(["compare", "losses.toml"]) == 0  # the table needs none of it


def test_a_study_that_another_run_makes_is_refused(folder, capsys):
    with claimed(folder / "losses.study.h5"):
        assert main(["compare", "losses.toml"]) == 1
    assert f"losses.study.h5: process {os.getpid()} on " in capsys.readouterr().err
    assert names(folder) == ["disc.toml", "losses.toml"]
