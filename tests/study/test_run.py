"""Comparing designs: what a study file asks for, runs that resume, the study file read back by h5py alone."""

import json
import subprocess
import sys
from dataclasses import replace
from types import SimpleNamespace

import h5py
import pytest
import torch

from lightlathe.errors import JobError, ResultError
from lightlathe.quantities import Patterns
from lightlathe.study.figures import figures_of
from lightlathe.study.file import read_study, write_study
from lightlathe.study.plan import load_plan
from lightlathe.study.run import begin
from lightlathe.study.runs import Study
from studies import PLAN, StopBefore, made


@pytest.fixture
def folder(tmp_path, small_job):
    (tmp_path / "small.toml").write_text(small_job())
    (tmp_path / "study.toml").write_text(PLAN)
    return tmp_path


def test_a_study_runs_resumes_and_is_read_back(folder):
    path, watch = folder / "out.study.h5", StopBefore(2)
    with pytest.raises(KeyboardInterrupt):
        made(folder, watch=watch)
    assert watch.begun == [
        "small: gap_hinge, free_set_ramp",
        "small: gap_hinge(exponent=4), free_set_ramp",
        "small: gap_hinge, free_set_ramp, repeat 1",
    ]
    assert len(watch.said) == 2
    assert watch.iterations == 12
    half = read_study(path)
    assert len(half.runs) == 2
    with pytest.raises(JobError, match="is there already"):
        made(folder)
    watch = StopBefore()
    study = made(folder, resume=True, watch=watch)
    assert watch.begun == [
        "small: gap_hinge, free_set_ramp, repeat 1",
        "small: gap_hinge(exponent=4), free_set_ramp, repeat 1",
    ]
    assert study.runs[:2] == half.runs
    first, second = study.runs[0], study.runs[2]
    assert first.settings["design"]["loss"]["kind"] == "gap_hinge"
    assert first.figures["iterations"] == 6
    assert second.settings["design"]["start"] == {"kind": "filtered", "disturbed": 0.3, "seed": 1}
    assert second.log["loss"][0] != first.log["loss"][0]  # the start was disturbed
    # proven once: a bound made by the first run holds for those after the interrupt
    assert len({r.figures["window_proven_at_most"] for r in study.runs}) == 1
    for r in study.runs:
        assert r.figures["window_gap"] == pytest.approx(
            r.figures["window_proven_at_most"] - r.figures["window_relative"], abs=1e-12
        )
        assert r.figures["window_gap"] > 0
    with pytest.raises(JobError, match=r"other settings than .* \(design.iterations\)"):
        made(folder, PLAN.replace('"design.iterations" = 6', '"design.iterations" = 7'), resume=True)
    with pytest.raises(JobError, match="bound_iterations"):
        made(folder, PLAN.replace("bound_iterations = 20", "bound_iterations = 21"), resume=True)
    watch = StopBefore()
    more = made(folder, PLAN.replace("repeats = 2", "repeats = 3"), resume=True, watch=watch)
    assert [words[-8:] for words in watch.begun] == ["repeat 2", "repeat 2"]
    assert len(more.runs) == 6


def test_the_file_holds_what_was_made_and_h5py_alone_reads_it(folder):
    study, path = made(folder), folder / "out.study.h5"
    back = read_study(path)
    assert (
        (back.name, back.plan, back.rank_by) == (study.name, study.plan, "iou_fine") == ("out", study.plan, "iou_fine")
    )
    for read, one in zip(back.runs, study.runs, strict=True):
        assert (read.key, read.facts, read.settings) == (one.key, one.facts, one.settings)
        assert read.figures == pytest.approx(one.figures, nan_ok=True)
        assert read.log.keys() == one.log.keys()
        assert read.log["loss"] == one.log["loss"]
    with h5py.File(path) as file:
        assert file.attrs["format"] == "lightlathe-study"
        assert json.loads(file["plan"].asstr()[()])["repeats"] == 2
        group = file["runs/0003"]
        assert json.loads(group.attrs["variant"]) == {
            "design.loss": {"kind": "gap_hinge", "exponent": 4},
            "design.solver": "free_set_ramp",
        }
        assert group["log/window_relative"].shape == (6,)
        assert group["log/seconds"].attrs["units"] == "s"
        assert list(group["log/seconds"].attrs["dims"]) == ["iteration"]
        figures = group["figures"].attrs
        assert figures["iterations"] == 6
        assert group["facts"].attrs["processor"]


def test_a_study_that_came_meanwhile_is_not_replaced(folder):
    another = write_study(Study("another", '{"rank_by": "iou", "bound_iterations": 0}'), folder / "another.h5")

    class PutThere(StopBefore):
        def begin(self, number, words):
            (folder / "out.study.h5").write_bytes(another.read_bytes())

    with pytest.raises(ResultError, match=r"out\.study\.h5: came there while this ran"):
        made(folder, watch=PutThere())
    assert read_study(folder / "out.study.h5").name == "another"


def test_light_and_iterations_by_hand():
    """A fifth of 20 mW/cm2 on 40 x 20 pixels of 0.25 mm, 0.5 cm2, through 3 turns of 10 s: 60 mJ."""
    levels, angles = torch.full((60, 40, 20), 51, dtype=torch.uint8), torch.linspace(0, 6, 60, dtype=torch.float64)
    log = {"best_wrong": [9.0, 1.0, 0.0, 0.0], "seconds": [1.0, 2.0, 3.0, 4.5], "iteration": [0.0, 1.0, 2.0, 3.0]}
    record = SimpleNamespace(quality={}, patterns=Patterns(levels, angles, 255, 0.25, 20.0, 10 / 60, 3))
    figures = figures_of(record, log)
    assert figures["light_mj"] == pytest.approx(0.2 * 20 * 0.5 * 30, rel=1e-6)  # levels are float32
    assert (figures["iterations"], figures["iterations_to_none_wrong"], figures["seconds"]) == (4, 3, 4.5)
    every_fifth = {**log, "iteration": [0.0, 5.0, 10.0, 15.0]}  # as cards log
    assert figures_of(record, every_fifth)["iterations_to_none_wrong"] == 11


def test_what_goes_before_the_loop_costs_seconds_too(folder, monkeypatch):
    """A start that takes half a second by the clock: every logged second comes after it."""
    from lightlathe.flow import one_stage
    from lightlathe.study import run as compare

    now = [0.0]
    monkeypatch.setattr(compare.time, "perf_counter", lambda: now[0])
    real = one_stage.solve

    def slow(*args, **kwargs):
        now[0] += 0.5
        return real(*args, **kwargs)

    monkeypatch.setattr(one_stage, "solve", slow)
    for one in made(folder).runs:
        assert min(one.log["seconds"]) == pytest.approx(0.5)  # the loop itself takes no time by this clock
        assert one.figures["seconds"] == pytest.approx(0.5)


def test_a_run_killed_outright_leaves_a_whole_file(folder):
    """SIGKILL in the middle of a design: what was finished before it is readable, and the study goes on from there."""
    code = """
import os, signal, sys
from lightlathe.flow import one_stage
from lightlathe.cli.main import main
real, count = one_stage.solve, []
def solve(*args, **kwargs):
    count.append(1)
    if len(count) == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*args, **kwargs)
one_stage.solve = solve
main(["compare", "study.toml"])
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=folder, capture_output=True, timeout=120, check=False)
    assert done.returncode == -9
    path = folder / "study.study.h5"
    assert len(read_study(path).runs) == 2
    study, todo = begin(load_plan(folder / "study.toml"), path, resume=True)
    assert (len(study.runs), len(todo)) == (2, 2)


def test_a_design_that_fails_is_a_run_without_figures(folder):
    """A loss that is finite where it is tried but not on the job: the others are made all the same, and stay."""
    (folder / "mine.py").write_text(
        "import torch\ndef bad(dose, target):\n    return dose.sum() * (1 if dose.numel() < 10 else float('nan'))\n"
    )
    plan = PLAN.replace('{ kind = "gap_hinge", exponent = 4 }', '"mine.py:bad"')
    watch = StopBefore()
    study = made(folder, plan, watch=watch)
    assert [r.failed for r in study.runs] == [False, True, False, True]
    assert "NaN" in study.runs[1].facts["failed"]
    assert "SolveError" in watch.said[1]
    assert read_study(folder / "out.study.h5").runs[1].facts == study.runs[1].facts
    watch = StopBefore()
    made(folder, plan, resume=True, watch=watch)
    assert watch.begun == []  # it would fail again
    (folder / "mine.py").write_text("import torch\ndef bad(dose, target):\n    return dose.square().sum()\n")
    with pytest.raises(JobError, match=r"files.mine.py"):
        made(folder, plan, resume=True)


def test_a_damaged_or_other_file_is_no_study(folder):
    study, path = made(folder), folder / "out.study.h5"
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ResultError, match="not a readable HDF5 file"):
        made(folder, resume=True)
    path.unlink()
    write_study(study, path)
    with h5py.File(path, "r+") as file:
        del file["runs/0001/settings"]
    with pytest.raises(ResultError, match="incomplete"):
        read_study(path)
    write_study(study, path)
    with h5py.File(path, "r+") as file:
        file["plan"][()] = json.dumps({"rank_by": "beauty"})
    with pytest.raises(ResultError, match="the values of plan are not those that were written"):
        read_study(path)
    write_study(replace(study, plan=json.dumps({"rank_by": "beauty", "bound_iterations": 1})), path)
    with pytest.raises(ResultError, match="ranked by 'beauty'"):
        read_study(path)
    with h5py.File(path, "r+") as file:
        file.attrs["format"] = "lightlathe-result"
    with pytest.raises(ResultError, match="its format is 'lightlathe-result'"):
        read_study(path)
    with pytest.raises(ResultError, match="lightlathe compare STUDY"):
        read_study(folder / "none.h5")
