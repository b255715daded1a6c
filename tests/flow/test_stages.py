"""The stages of a design: each is logged, obeys the stop rule, can be stopped and gone on with, and is told of."""

import time
from itertools import pairwise

import pytest
import torch

from kept_states import design_with_states, same_design
from lightlathe import pipeline
from lightlathe.cli.progress import QUIET_S, Bar
from lightlathe.flow import one_stage
from lightlathe.job import parse_job
from lightlathe.result import read_result, write_result
from lightlathe.solve import solve
from lightlathe.support.watching import doing, step, watched

ROBUST = "bound_iterations = 0\nrobust = { absorption_percent = [-10, 10] }\n"
LADDER = "ladder = [{ coarser = 2, iterations = 6 }, { coarser = 1.5, iterations = 5 }]\n"


class Stop(Exception):
    pass


def job_of(small_job, folder, more, iterations=8):
    return parse_job(small_job(iterations=iterations) + more, name="t", folder=folder)


@pytest.mark.parametrize(
    ("more", "stages"),
    [
        ("bound_iterations = 0\n", {}),
        (ROBUST, {"plain": 8}),
        ("bound_iterations = 0\n" + LADDER, {"coarser_1": 6, "coarser_2": 5}),
        (ROBUST + LADDER, {"coarser_1": 6, "coarser_2": 5, "plain": 8}),
    ],
)
def test_every_stage_has_its_log_in_the_file(small_job, tmp_path, more, stages):
    told = []
    record = pipeline.design(job_of(small_job, tmp_path, more), on_iteration=told.append)
    again = read_result(write_result(record, tmp_path / "a.h5"))
    assert {name: len(log["loss"]) for name, log in again.log_before.items()} == stages
    assert again.log_before == record.log_before
    assert again.log["iteration"] == list(range(8)) == [row["iteration"] for row in told]
    for log in again.log_before.values():
        assert log["iteration"] == list(range(len(log["iteration"])))
        assert log.keys() == again.log.keys()
    seconds = [value for log in (*again.log_before.values(), again.log) for value in log["seconds"]]
    assert seconds == sorted(seconds)  # one clock for all of them


@pytest.mark.parametrize(
    ("more", "stops"),
    [
        ("", [("design", 4)]),
        (ROBUST, [("plain", 3), ("robust", 1), ("robust", 5)]),
        (ROBUST + LADDER, [("coarser_2", 2)]),
        ("bound_iterations = 0\n" + LADDER, [("coarser_1", 4), ("design", 4)]),
    ],
)
def test_stopped_in_any_stage_and_resumed_is_the_same_design(small_job, tmp_path, monkeypatch, more, stops):
    """Through a file; nothing that was done is done again."""
    job = job_of(small_job, tmp_path, more)
    whole, states = design_with_states(job, tmp_path, stops, lambda state, _: (state["stage"], state["iteration"]))
    monkeypatch.setattr("lightlathe.flow.stages.start_of", lambda *_: pytest.fail("it began anew"))
    for (stage, at), kept in states.items():
        begun = []
        again = pipeline.design(
            job,
            resume=kept,
            checkpoint=lambda state, _: begun.append((state["stage"], state["iteration"])),  # noqa: B023
        )
        assert begun[0] == (stage, at + 1)
        assert same_design(again, whole)
        assert {n: log["loss"] for n, log in again.log_before.items()} == {
            n: log["loss"] for n, log in whole.log_before.items()
        }
        compared = [name for name in whole.quality if "scenario" in name]
        assert len(compared) == (4 if "robust" in more else 0)
        assert [again.quality[name] for name in compared] == [whole.quality[name] for name in compared]


def test_each_rung_hands_its_light_on(small_job, tmp_path, monkeypatch):
    """Levels are light: in another grid's unit they are other numbers."""
    job, seen = job_of(small_job, tmp_path, 'solver = "bounded_lbfgs"\nbound_iterations = 0\n' + LADDER), []

    def watched_solve(problem, solver, start, **how):
        outcome = solve(problem, solver, start, **how)
        seen.append((start * problem.operator.gain, outcome.patterns * problem.operator.gain))
        return outcome

    monkeypatch.setattr(one_stage, "solve", watched_solve)
    pipeline.design(job)
    assert len(seen) == 3
    for (_, found), (start, _) in pairwise(seen):
        torch.testing.assert_close(start, found, rtol=1e-5, atol=0)  # float32; --disturb moves starts by 1e-6


def test_the_stop_rule_holds_in_every_stage(small_job, tmp_path):
    """A window that the plain case reaches ends it there, and the robust stage goes on from it."""
    free = pipeline.design(job_of(small_job, tmp_path, ROBUST, iterations=30))
    windows = free.log_before["plain"]["best_window"]
    wanted = (windows[3] + windows[-1]) / 2
    assert windows[3] < wanted < windows[-1]
    ruled = pipeline.design(job_of(small_job, tmp_path, ROBUST + f"stop = {{ window = {wanted} }}\n", iterations=30))
    assert 3 < len(ruled.log_before["plain"]["loss"]) < 30
    assert ruled.log_before["plain"]["best_window"][-1] >= wanted


def test_the_seconds_of_the_rule_leave_half_for_the_last_stage(small_job, tmp_path):
    """Without it the plain case would take its 20,000 iterations, some minutes."""
    record = pipeline.design(job_of(small_job, tmp_path, ROBUST + "stop = { seconds = 4 }\n", iterations=20_000))
    plain = record.log_before["plain"]["seconds"]
    assert plain[-2] < 2 <= plain[-1]  # the first iteration past the half is the last
    assert record.log["seconds"][-2] < 4 <= record.log["seconds"][-1]
    assert record.facts["stopped_because"] == "4.0 s spent"


def test_all_that_takes_long_is_told_of(small_job, tmp_path, monkeypatch):
    """Reading, voxels, every stage with its steps, exposure, levels, judging, proof, remedies, writing."""
    told = []

    def watch(words, done, of, figures):
        told.append((words, done, of))

    monkeypatch.chdir(tmp_path)
    (tmp_path / "t.toml").write_text(small_job(absorption=1.5, iterations=5) + ROBUST.replace("= 0", "= 40"))
    job = parse_job((tmp_path / "t.toml").read_text(), name="t", folder=tmp_path)
    with watched(watch):
        setup = pipeline.prepare(job)
        record = pipeline.design(job, setup=setup)
        write_result(record, tmp_path / "a.h5")
        pipeline.frames(record, tmp_path / "frames")
    assert record.quality["window_relative"] < 0  # so that remedies are tried
    words = list(dict.fromkeys(word for word, *_ in told))
    for expected in (
        "counting voxels",
        "looking for thin walls",
        "the light to start from",
        "plain",
        "robust",
        "trying exposures",
        "judging the print",
        "proving",
        "checking the proof",
        "no window: trying half the absorption",
        "comparing plain and robust design",
        "writing the result",
        "writing frames",
    ):
        assert expected in words
    assert told[-1] == ("", 0, None)  # and that nothing is done any more
    assert [done for word, done, of in told if word == "robust" and of == 5][:6] == [0, 1, 2, 3, 4, 5]
    assert ("proving", 40, 40) in told
    assert ("writing frames", 60, 60) in told


def test_the_bar_shows_what_is_long_and_nothing_else(monkeypatch, capsys):
    """Quick work leaves no mark in a file; long work its words, its steps, and its clock without any step."""
    with Bar() as bar, watched(bar):
        for _ in range(3):
            with doing("quick", 5):
                step(5)
    assert capsys.readouterr().err == ""
    monkeypatch.setitem(QUIET_S, False, 0.0)
    with Bar() as bar, watched(bar):
        with doing("with steps", 5):
            step(3)
        with doing("in one piece"):
            pass
    said = capsys.readouterr().err
    assert "with steps" in said
    assert "0/5" in said
    assert "in one piece [00:00]" in said
    monkeypatch.setitem(QUIET_S, False, 0.1)
    monkeypatch.setattr("lightlathe.cli.progress.TICK_S", 0.01)
    with Bar() as bar, watched(bar), doing("one long call"):
        for _ in range(500):
            time.sleep(0.01)
            if bar.bar is not None:
                break
    assert "one long call" in capsys.readouterr().err


def test_who_is_told_what():
    told = []

    @doing("inner", 2)
    def inner():
        step()
        step(of=3)

    with watched(lambda *what: told.append(what)):
        step()  # of nothing
        with doing("outer"):
            step(4, 9)
            inner()
        with pytest.raises(Stop), doing("failing"):
            raise Stop
    with doing("unwatched"):
        step()
    assert told == [
        ("outer", 0, None, None),
        ("outer", 4, 9, None),
        ("inner", 0, 2, None),
        ("inner", 1, 2, None),
        ("inner", 2, 3, None),
        ("outer", 4, 9, None),
        ("", 0, None, None),
        ("failing", 0, None, None),
        ("", 0, None, None),
    ]
