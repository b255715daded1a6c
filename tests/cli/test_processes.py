"""A design shared out to several processes, as torchrun starts them: same levels, one result, errors that end it."""

import json
import os
import signal
import subprocess
import sys
import time
from functools import partial

import numpy as np
import pytest

from forked import ran, stopped
from lightlathe.cli.main import main
from lightlathe.cli.together import ends_with_others
from lightlathe.errors import LightlatheError
from lightlathe.result import read_result
from lightlathe.result.storage import opened
from lightlathe.study.file import read_study
from lightlathe.support.files import STATE
from lightlathe.support.ranks import Ranks
from odd_jobs import ball
from studies import PLAN

BALL = ball(slab_slices=3, iterations=12)


def environment():
    return {**os.environ, "CUDA_VISIBLE_DEVICES": "", "OMP_NUM_THREADS": "1"}


TORCHRUN = [sys.executable, "-m", "torch.distributed.run", "--standalone", "--nproc-per-node", "2"]


def launched(folder, *argv):
    """`lightlathe argv` in two processes, by torchrun itself: the exit code, what is said on each stream."""
    call = [*TORCHRUN, "-m", "lightlathe", *argv]
    done = subprocess.run(call, cwd=folder, env=environment(), capture_output=True, text=True, check=False)
    return done.returncode, done.stdout, done.stderr


def designed(folder, processes, *more, text=BALL):
    """In processes that are started as torchrun starts them, without its own start of some seconds each."""
    (folder / "ball.toml").write_text(text)
    return ran(folder, "design", "ball.toml", "-o", "a.h5", *more, processes=processes)


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    folder = tmp_path_factory.mktemp("alone")
    designed(folder, 1)
    return read_result(folder / "a.h5")


def test_two_processes_design_what_one_does(tmp_path, alone):
    """A ball's 8 unlike slices in three slabs, which two share unevenly: levels, log and figures are those of one
    process; one prints the summary, and none is taken for a process that failed."""
    (tmp_path / "ball.toml").write_text(BALL)
    code, said, noise = launched(tmp_path, "design", "ball.toml", "-o", "a.h5")
    assert code == 0, noise[-2000:]
    record = read_result(tmp_path / "a.h5")
    assert record.patterns.levels.equal(alone.patterns.levels)
    assert record.log["loss"] == alone.log["loss"]
    assert record.log["slabs"] == alone.log["slabs"]
    for name, value in alone.quality.items():
        assert record.quality[name] == pytest.approx(value, rel=1e-6, nan_ok=True), name
    assert said.count("marginal: print and part overlap") == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.h5", "ball.toml"]


def test_every_process_gets_some_of_the_slices_that_are_designed(tmp_path, alone):
    """Of the grid's slices 8 hold part: where the job names no slab_slices, two processes design 4 each."""
    code, said = designed(tmp_path, 2, text=BALL.replace("\nslab_slices = 3", ""))
    assert code == 0, said[-2000:]
    record = read_result(tmp_path / "a.h5")
    assert record.part.grid.shape[2] >= 2 * 8
    assert set(record.log["slabs"]) == {2}
    assert record.quality["wrong_voxels"] == alone.quality["wrong_voxels"] == 0


def test_a_process_that_dies_ends_the_run(tmp_path):
    """Killed outright in the middle: the others stop, no result, no half-written file; the next run begins anew."""
    (tmp_path / "ball.toml").write_text(BALL.replace("iterations = 12", "iterations = 100000"))
    run = subprocess.Popen(
        [*TORCHRUN, "-m", "lightlathe", "design", "ball.toml", "-o", "a.h5"],
        cwd=tmp_path, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    try:
        ranks = []
        for _ in range(600):
            ranks = [line for line in _children(run.pid) if "-m lightlathe" in line[1]]
            if len(ranks) == 2 and (tmp_path / ".a.lock").exists():
                break
            time.sleep(0.1)
        time.sleep(1.0)
        os.kill(ranks[1][0], signal.SIGKILL)
        said = run.communicate(timeout=120)[0]
    finally:
        run.kill()
        run.wait()
    assert run.returncode != 0
    assert "Signal 9" in said
    assert "gloo/transport" not in said
    assert not (tmp_path / "a.h5").exists()
    code, said = designed(tmp_path, 2, "--force")
    assert code == 0, said[-2000:]


def test_a_connection_that_is_lost_is_said_in_one_line(monkeypatch):
    """As gloo says it in a process that waits for another; of one alone such an error is its own."""
    lost = RuntimeError("[gloo/transport/tcp/pair.cc:553] Connection closed by peer [127.0.0.1]:12685.")
    with pytest.raises(RuntimeError, match="closed by peer"), ends_with_others():
        raise lost
    monkeypatch.setattr("lightlathe.support.ranks.ranks", lambda: Ranks(0, 2))
    with pytest.raises(LightlatheError, match="another process of this run ended") as said, ends_with_others():
        raise lost
    assert len(str(said.value).splitlines()) == 1
    with pytest.raises(RuntimeError, match="another matter"), ends_with_others():
        raise RuntimeError("another matter")


def test_a_command_leaves_signals_as_they_were(capsys):
    """So that a kill that comes while the interpreter ends, as from torchrun, raises nothing in it."""
    before = signal.getsignal(signal.SIGTERM)
    assert main(["help"]) == 0
    assert signal.getsignal(signal.SIGTERM) == before


def _children(pid):
    import psutil

    return [(child.pid, " ".join(child.cmdline())) for child in psutil.Process(pid).children(recursive=True)]


def test_what_cannot_be_shared_out_is_refused(tmp_path):
    text = BALL.replace("slab_slices = 3", "ladder = [{ coarser = 2, iterations = 6 }]")
    code, said = designed(tmp_path, 2, text=text)
    assert code != 0
    assert "cannot go slab by slab" in said


def test_a_state_is_taken_up_by_any_number_of_processes(tmp_path, alone):
    """Two processes are stopped after their first round of slabs; one goes on, then three."""
    (tmp_path / "ball.toml").write_text(BALL)
    assert ran(tmp_path, "design", "ball.toml", "-o", "a.h5", processes=2, before=stopped)[0] != 0
    state = (tmp_path / "a.partial.h5").read_bytes()
    for processes in (1, 3):
        (tmp_path / "a.h5").unlink(missing_ok=True)
        (tmp_path / "a.partial.h5").write_bytes(state)
        code, said = designed(tmp_path, processes, "--resume")
        assert code in (0, 3), said[-2000:]
        assert read_result(tmp_path / "a.h5").patterns.levels.equal(alone.patterns.levels)


@pytest.mark.parametrize("processes", [2, 3])
def test_a_state_of_one_process_in_the_middle_of_a_slab_is_taken_up_by_several(tmp_path, alone, processes):
    """Its slab goes on in the first process alone: the others begin theirs."""
    (tmp_path / "ball.toml").write_text(BALL)
    assert ran(tmp_path, "design", "ball.toml", "-o", "a.h5", before=partial(stopped, 7))[0] == 130
    with opened(tmp_path / "a.partial.h5", STATE) as root:
        assert root["state/run/slab"].attrs["iteration"] == "7"
    code, said = designed(tmp_path, processes, "--resume")
    assert code == 0, said[-2000:]
    assert read_result(tmp_path / "a.h5").patterns.levels.equal(alone.patterns.levels)


def test_what_the_first_process_refuses_is_said_once(tmp_path):
    (tmp_path / "a.h5").write_bytes(b"")
    (tmp_path / "ball.toml").write_text(BALL)
    code, out, said = launched(tmp_path, "design", "ball.toml", "-o", "a.h5")
    assert code != 0
    said += out
    assert said.count("a.h5: is an empty file, not a result") == 1
    assert "gloo" not in said
    assert "Connection" not in said


def test_processes_share_out_the_runs_of_a_study(tmp_path, small_job):
    """4 designs by 1 and by 3 processes: the same runs in the same order, with the same bound, patterns kept under the
    same numbers; one process prints. Then shown, and refused, as by one."""
    studies = []
    for processes in (1, 3):
        (folder := tmp_path / str(processes)).mkdir()
        (folder / "small.toml").write_text(small_job())
        (folder / "study.toml").write_text(PLAN.replace("repeats = 2", 'repeats = 2\nkeep = "patterns"'))
        code, said = ran(folder, "compare", "study.toml", processes=processes)
        assert code == 0, said[-2000:]
        assert said.count("4 designs to make") == 1
        study = read_study(folder / "study.study.h5")
        kept = [np.load(path) for path in sorted((folder / "study.study.runs").glob("*.npy"))]
        studies.append((study.runs, kept))
    (alone, kept_alone), (shared, kept) = studies
    assert [run.key for run in shared] == [run.key for run in alone]
    assert len(kept) == 4
    assert all(np.array_equal(a, b) for a, b in zip(kept, kept_alone, strict=True))
    times = ("seconds", "cpu_seconds")
    for one, other in zip(alone, shared, strict=True):
        assert one.figures.keys() == other.figures.keys()
        for name in one.figures.keys() - set(times):
            assert other.figures[name] == pytest.approx(one.figures[name], rel=1e-6, nan_ok=True), name
    code, said = ran(tmp_path / "3", "compare", "study.toml", processes=2)
    assert code != 0
    assert said.count("is there already") == 1


def test_bench_measures_what_processes_do_at_once(tmp_path):
    """Two processes do at most twice the work of one; one prints and writes."""
    code, out, said = launched(tmp_path, "bench", "--quick", "--device", "cpu", "-o", "b.json")
    assert code == 0, said[-2000:]
    found = json.loads((tmp_path / "b.json").read_text())["together"]
    assert found["processes"] == len(found["beside_s"]) == 2
    assert found["speedup"] == pytest.approx(2 * found["alone_s"] / max(found["beside_s"]))
    assert found["exchange_gb_s"] > 0
    assert out.count("2 processes: ") == 1
    assert out.count("written to") == 1
