"""Runs in slabs that survive: kills, full disks, folders that go, memory that runs out, losses that turn NaN."""

import copy
import math
import random
import re
import shutil
import time
from dataclasses import replace

import pytest
import torch

from forked import begun, ran, slow
from lightlathe import pipeline
from lightlathe.cli import progress
from lightlathe.cli.main import main
from lightlathe.errors import ResultError
from lightlathe.job import load_job
from lightlathe.result import partial, read_result
from lightlathe.result.storage import opened
from lightlathe.solve import Problem, slabs
from lightlathe.support.files import STATE
from odd_jobs import ball

BALL = ball(slab_slices=3, iterations=40)
DESIGN = "design", "ball.toml", "-o", "a.h5"


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The levels of a run that nothing disturbed, and how long it took."""
    folder = tmp_path_factory.mktemp("whole")
    (folder / "ball.toml").write_text(BALL)
    began = time.monotonic()
    ran(folder, *DESIGN, before=slow)
    return read_result(folder / "a.h5").patterns.levels, time.monotonic() - began


@pytest.mark.parametrize("kills", [4, pytest.param(30, marks=pytest.mark.slow)])
def test_kills_at_random_moments_lose_nothing(tmp_path, whole, kills):
    """After each: no result or a whole one, a state that reads or none, and the run goes on; bit for bit at the end."""
    levels, takes_s = whole
    draw = random.Random(kills)
    (tmp_path / "ball.toml").write_text(BALL)
    result, state = tmp_path / "a.h5", tmp_path / "a.partial.h5"
    done = 0
    for _ in range(10 * kills):
        more = ["--resume"] if state.exists() else []
        (run,) = begun(tmp_path, *DESIGN, *more, before=slow)
        run.join(draw.uniform(0.3, 1.0) * takes_s)
        finished = run.exitcode is not None
        run.kill()
        run.join()
        said = (tmp_path / "said.0").read_text()
        assert "Traceback" not in said, said[-2000:]
        if state.exists():
            with opened(state, STATE) as root:
                assert root.attrs["state_version"] == partial.STATE_VERSION
        if result.exists():
            assert torch.equal(read_result(result).patterns.levels, levels)
            result.unlink()
            state.unlink(missing_ok=True)
        done += not finished
        if done == kills:
            break
    assert done == kills
    assert ran(tmp_path, *DESIGN, *(["--resume"] if state.exists() else []))[0] in (0, 3)
    assert torch.equal(read_result(result).patterns.levels, levels)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.h5", "ball.toml", "said.0"]


def test_a_state_that_cannot_be_written_does_not_end_the_design(tmp_path, monkeypatch, capsys):
    """A disk that is full for a while: said once, and the result is written when it is done."""
    (tmp_path / "ball.toml").write_text(BALL.replace("\niterations = 40", "\niterations = 6"))
    monkeypatch.chdir(tmp_path)
    for name in ("OFTEN_S", "SHARE"):
        monkeypatch.setattr(progress, name, 0)

    def full(*_):
        raise ResultError("a.partial.h5: cannot write the file (No space left on device).")

    monkeypatch.setattr("lightlathe.result.write_partial", full)
    assert main(["design", "ball.toml", "-o", "a.h5"]) in (0, 3)
    said = capsys.readouterr().err
    assert said.count("The state could not be written, and the design goes on without it") == 1
    assert read_result("a.h5").log["slabs"][-1] == 3


def test_a_disk_that_is_too_small_is_said_before_it_begins(tmp_path, monkeypatch, capsys):
    """And not where the result fits: its size as it came out is within what is said, to a factor of 3."""
    (tmp_path / "ball.toml").write_text(BALL.replace("\niterations = 40", "\niterations = 2"))
    monkeypatch.chdir(tmp_path)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    assert main(["design", "ball.toml", "-o", "out/a.h5"]) in (0, 3)
    (said,) = (line for line in capsys.readouterr().out.splitlines() if "of disk are free" in line)
    about = float(re.search(r"takes about (\d+) kB", said)[1]) * 1e3
    assert said.startswith("warning: 1 kB of disk are free where out/a.h5 goes, and it takes about")
    assert about / 3 < (tmp_path / "out/a.h5").stat().st_size < 3 * about
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=int(3 * about)))
    assert main(["design", "ball.toml", "-o", "b.h5"]) in (0, 3)
    assert "of disk are free" not in capsys.readouterr().out


def test_a_folder_that_goes_while_it_runs_is_made_again(tmp_path, monkeypatch):
    folder = tmp_path / "out"
    (tmp_path / "ball.toml").write_text(BALL.replace("\niterations = 40", "\niterations = 6"))
    monkeypatch.chdir(tmp_path)
    real = slabs.solve

    def gone(*args, **more):
        for left in folder.iterdir():
            left.unlink()
        folder.rmdir()
        monkeypatch.setattr(slabs, "solve", real)
        return real(*args, **more)

    monkeypatch.setattr(slabs, "solve", gone)
    assert main(["design", "ball.toml", "-o", "out/a.h5"]) in (0, 3)
    assert read_result(folder / "a.h5").log["slabs"][-1] == 3


def test_memory_that_runs_out_makes_smaller_slabs_and_says_so(tmp_path, monkeypatch, caplog):
    """As a card says it, in the second slab: the first is kept, the rest is designed in slabs of half the size."""
    (tmp_path / "ball.toml").write_text(BALL.replace("\niterations = 40", "\niterations = 6"))
    monkeypatch.chdir(tmp_path)
    real, calls = slabs.solve, []

    def short(problem, *args, **more):
        calls.append(problem.operator.dose_shape[2])
        if len(calls) == 2:
            raise torch.OutOfMemoryError("CUDA out of memory")
        return real(problem, *args, **more)

    monkeypatch.setattr(slabs, "solve", short)
    assert main(["design", "ball.toml", "-o", "a.h5"]) in (0, 3)
    assert calls == [3, 3, 2, 2, 1]
    assert "out of memory with 3 slices at a time; going on with 2" in caplog.text


@pytest.mark.parametrize(
    ("iterations", "at", "slabs"), [("6", 6 + 4, [4] * 6), ('"auto"', 18 + 3 + 2, [3] * 6 + [4] * 3)]
)
def test_the_log_holds_nothing_of_a_slab_that_ran_out_of_memory(tmp_path, monkeypatch, iterations, at, slabs):
    """In the second slab of a pass, some iterations on: 4 slabs (3, 2, 2, 1 slices) are behind every row of that pass,
    3 behind those of the pass before; a state of then has each slab's iterations once."""
    from lightlathe.flow import until_done

    (tmp_path / "ball.toml").write_text(BALL.replace("\niterations = 40", f"\niterations = {iterations}"))
    monkeypatch.chdir(tmp_path)
    for name, value in (("RAMP", 6), ("ROUND", 3), ("MOST", 9)):
        monkeypatch.setattr(until_done, name, value)
    real, seen, states = Problem.evaluate, [], []

    def short(self, *args):
        seen.append(self.operator.dose_shape[2])
        if len(seen) == at:
            raise torch.OutOfMemoryError("CUDA out of memory")
        return real(self, *args)

    monkeypatch.setattr(Problem, "evaluate", short)
    record = pipeline.design(load_job("ball.toml"), checkpoint=lambda _, log: states.append(copy.deepcopy(log)))
    assert seen[at - 1 : at + 2] == [3, 2, 2]
    assert record.log["iteration"] == list(range(len(slabs)))
    assert record.log["slabs"] == slabs
    for log in states:
        rows = list(zip(log["iteration"], log["slab"], strict=True))
        assert len(set(rows)) == len(rows)


def test_a_design_of_all_slices_that_runs_out_of_memory_begins_anew_in_slabs(tmp_path, monkeypatch, caplog):
    (tmp_path / "ball.toml").write_text(BALL.replace("iterations = 40\nslab_slices = 3", "iterations = 6"))
    monkeypatch.chdir(tmp_path)
    from lightlathe.flow import one_stage

    monkeypatch.setattr(one_stage, "solve", lambda *_, **__: (_ for _ in ()).throw(torch.OutOfMemoryError("CUDA")))
    assert main(["design", "ball.toml", "-o", "a.h5"]) in (0, 3)
    assert "out of memory; the design begins anew, with 10 slices at a time" in caplog.text
    assert max(read_result("a.h5").log["slabs"]) == 1


def test_a_loss_that_turns_nan_ends_it_with_iteration_and_slab(tmp_path, monkeypatch, capsys):
    """In the second slab; the last good state is kept."""
    (tmp_path / "ball.toml").write_text(BALL.replace("\niterations = 40", "\niterations = 10"))
    monkeypatch.chdir(tmp_path)
    real, calls = Problem.evaluate, []

    def turning(self, patterns, loss):
        calls.append(1)
        at = real(self, patterns, loss)
        return replace(at, value=at.value * math.nan) if len(calls) > 16 else at

    monkeypatch.setattr(Problem, "evaluate", turning)
    assert main(["design", "ball.toml", "-o", "a.h5"]) == 1
    said = capsys.readouterr().err
    assert "loss became NaN or infinite at step 6." in said
    assert "In slab 1, slices 3 to 5" in said
    assert "Traceback" not in said
    with opened(tmp_path / "a.partial.h5", STATE) as root:
        assert root["state/run"].attrs["done"] == "3"
        assert root["state/run"].attrs["iteration"] == "6"


def test_a_clock_that_steps_back_changes_nothing(tmp_path, monkeypatch):
    (tmp_path / "ball.toml").write_text(BALL.replace("\niterations = 40", "\niterations = 6"))
    monkeypatch.chdir(tmp_path)
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: (now := now_back()) and now)

    def now_back(state=[now]):  # noqa: B006
        state[0] -= 3600.0
        return state[0]

    assert main(["design", "ball.toml", "-o", "a.h5"]) in (0, 3)
    seconds = read_result("a.h5").log["seconds"]
    assert seconds == sorted(seconds)
    assert 0 <= seconds[-1] < 600


def test_another_part_is_not_gone_on_with(tmp_path, monkeypatch, capsys):
    """Its mesh changed between the run that stopped and the one that resumes: by its checksum, whatever its name."""
    import trimesh

    text = BALL.replace('shape = { kind = "sphere", radius_mm = 2.0 }', 'mesh = "a.stl"\nunit = "mm"')
    (tmp_path / "ball.toml").write_text(text)
    monkeypatch.chdir(tmp_path)
    trimesh.creation.icosphere(radius=2.0).export("a.stl")
    real = slabs.solve
    monkeypatch.setattr(slabs, "solve", lambda *a, **k: _stop_after(real, *a, **k))
    assert main(["design", "ball.toml", "-o", "a.h5"]) == 130
    trimesh.creation.icosphere(radius=1.9).export("a.stl")
    monkeypatch.setattr(slabs, "solve", real)
    capsys.readouterr()
    assert main(["design", "ball.toml", "-o", "a.h5", "--resume"]) == 1
    assert "was made with another content of a.stl" in capsys.readouterr().err


def _stop_after(real, *args, **more):
    real(*args, **more)
    raise KeyboardInterrupt
