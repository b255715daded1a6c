"""What the program promises of an exposure, a file or a resumed run holds."""

import contextlib
import functools
import hashlib
import resource
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import trimesh

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.errors import JobError, ResultError
from lightlathe.flow import solids
from lightlathe.flow.settings import settings_of
from lightlathe.flow.solids import load_solids
from lightlathe.job import load_job, parse_job
from lightlathe.result import read_partial, read_result, write_partial


@pytest.mark.parametrize("bits", [4, 8])
def test_the_exposures_promised_right_are_right(small_job, tmp_path, bits):
    """The plan is of the rounded levels: just inside its margins no voxel is wrong, well outside some are."""
    text = small_job(iterations=60).replace("irradiance_mw_cm2 = 20", f"irradiance_mw_cm2 = 20\nbits = {bits}")
    record = pipeline.design(parse_job(text + "bound_iterations = 0\n", name="t", folder=tmp_path))
    q = record.quality
    assert q["wrong_voxels"] == 0
    inside = pipeline.predict(record, exposure_s=q["shortest_s"] * 1.001).quality
    assert inside["wrong_voxels"] == 0
    assert pipeline.predict(record, exposure_s=q["longest_s"] * 0.999).quality["wrong_voxels"] == 0
    assert pipeline.predict(record, exposure_s=q["shortest_s"] * 0.8).quality["wrong_voxels"] > 0
    assert pipeline.predict(record, exposure_s=q["longest_s"] * 1.25).quality["wrong_voxels"] > 0
    assert q["low_mj_cm3"] == pytest.approx(q["window_low_mj_cm3"], rel=1e-5)  # float32 sums
    assert q["high_mj_cm3"] == pytest.approx(q["window_high_mj_cm3"], rel=1e-5)


AT_ONCE = """import lightlathe.cli.progress as progress  # the first state is written at once, not after half a minute
from lightlathe.cli.main import main
often_s, progress.OFTEN_S, write = progress.OFTEN_S, 0.0, progress.Keeper.write
def first(keeper):
    progress.OFTEN_S = often_s
    write(keeper)
progress.Keeper.write = first
raise SystemExit(main())
"""


@contextlib.contextmanager
def running(folder, text, output="a.h5"):
    """A design that does not end by itself, once its first state is written; its standard error goes to folder/said."""
    (folder / "disc.toml").write_text(text)
    command = [sys.executable, "-c", AT_ONCE, "design", "disc.toml", "-o", output]
    with (folder / "said").open("w") as said:
        # even where the tests themselves run under nohup
        heard = functools.partial(signal.signal, signal.SIGHUP, signal.SIG_DFL)
        run = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=said, preexec_fn=heard)
        try:
            for _ in range(1200):
                if (folder / output.replace(".h5", ".partial.h5")).exists():
                    break
                time.sleep(0.1)
            yield run
        finally:
            run.kill()
            run.wait()


def endless(small_job):
    return small_job(iterations=100_000) + "bound_iterations = 0\n"


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGHUP])
def test_a_killed_run_leaves_a_state_that_reads(small_job, tmp_path, how):
    """Killed outright or asked to stop, by a closed terminal as well: no result, a whole state, --resume goes on."""
    with running(tmp_path, endless(small_job)) as run:
        time.sleep(0.5)
        run.send_signal(how)
        assert run.wait(timeout=120) == (-9 if how == signal.SIGKILL else 130)
    assert not (tmp_path / "a.h5").exists()
    if how != signal.SIGKILL:
        assert "Go on with: lightlathe design disc.toml -o a.h5 --resume" in (tmp_path / "said").read_text()
        assert sorted(p.name for p in tmp_path.iterdir()) == ["a.partial.h5", "disc.toml", "said"]
    (tmp_path / "disc.toml").write_text(small_job(iterations=5) + "bound_iterations = 0\n")
    job = load_job(tmp_path / "disc.toml")
    found, log = read_partial(tmp_path / "a.partial.h5", settings_of(job, load_solids(job)[0]))
    assert found["iteration"] >= 1
    assert len(log["iteration"]) == found["iteration"]


def test_a_second_run_onto_the_same_output_is_refused(small_job, tmp_path, monkeypatch, capsys):
    """With --force too: both would write one state. The first goes on; once it is dead, its place is free."""
    monkeypatch.chdir(tmp_path)
    with running(tmp_path, endless(small_job)) as run:
        for more in ([], ["--force"], ["--resume"]):
            assert main(["design", "disc.toml", "-o", "a.h5", *more]) == 1
            assert f"a.h5: process {run.pid} on " in capsys.readouterr().err
        assert run.poll() is None
    assert (tmp_path / ".a.lock").exists()  # killed outright
    (tmp_path / "disc.toml").write_text(small_job(iterations=3))
    assert main(["design", "disc.toml", "-o", "a.h5", "--force"]) == 3
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.h5", "disc.toml", "said"]


def test_a_result_that_came_meanwhile_is_not_replaced(small_job, tmp_path, monkeypatch, capsys):
    """However it came there. The design is not lost: its state is kept, and --resume ends it in no time."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "disc.toml").write_text(small_job(iterations=3))
    assert main(["design", "disc.toml", "-o", "b.h5"]) == 3
    another = (tmp_path / "b.h5").read_bytes()
    real = pipeline.design

    def slow(*args, **options):
        (tmp_path / "a.h5").write_bytes(another)
        return real(*args, **options)

    monkeypatch.setattr(pipeline, "design", slow)
    assert main(["design", "disc.toml", "-o", "a.h5"]) == 1
    said = capsys.readouterr().err
    assert "a.h5: came there while this ran, and is left as it is" in said
    assert "Go on with: lightlathe design disc.toml -o a.h5 --resume" in said
    assert (tmp_path / "a.h5").read_bytes() == another
    (tmp_path / "a.h5").unlink()
    monkeypatch.setattr(pipeline, "design", real)
    assert main(["design", "disc.toml", "-o", "a.h5", "--resume"]) == 3
    assert read_result("a.h5").log["iteration"] == [0, 1, 2]


def test_a_full_disk_keeps_the_state_of_before_and_the_words_how_to_go_on(small_job, tmp_path):
    """The disk fills up (a limit on the size of files stands in) between two states; then the run is asked to stop."""
    with running(tmp_path, endless(small_job)) as run:
        before = (tmp_path / "a.partial.h5").read_bytes()
        resource.prlimit(run.pid, resource.RLIMIT_FSIZE, (len(before) // 2, len(before) // 2))
        time.sleep(1)
        run.terminate()
        assert run.wait(timeout=120) == 130
    said = (tmp_path / "said").read_text()
    assert "The state could not be written once more: a.partial.h5: cannot write the file (File too large)" in said
    assert "The state is in a.partial.h5. Go on with: lightlathe design disc.toml -o a.h5 --resume" in said
    assert "Traceback" not in said
    assert (tmp_path / "a.partial.h5").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.partial.h5", "disc.toml", "said"]


def two_boxes(tmp_path, small_job):
    trimesh.creation.box((1, 1, 1)).export(tmp_path / "a.stl")
    far = trimesh.creation.box((1, 1, 1))
    far.apply_translation((3.0, 0, 0))
    far.export(tmp_path / "b.stl")
    text = small_job()
    head = '[[part]]\nmesh = "a.stl"\nunit = "mm"\n[[part]]\nmesh = "b.stl"\nunit = "mm"\n'
    (tmp_path / "two.toml").write_text(head + text[text.index("[vial]") :])
    return tmp_path / "two.toml"


def test_several_meshes_keep_their_places(small_job, tmp_path):
    """Two boxes 3 mm apart stay 3 mm apart, and their common middle comes to the axis; half a row up, onto rows."""
    solids, _ = load_solids(load_job(two_boxes(tmp_path, small_job)))
    middles = [solid.form.bounds_mm.mean(0) for solid in solids]
    np.testing.assert_allclose(middles[1] - middles[0], (3, 0, 0), atol=1e-6)  # float32 numbers in an STL
    np.testing.assert_allclose((middles[0] + middles[1]) / 2, (0, 0, 0.125), atol=1e-6)


def test_a_run_is_not_resumed_with_another_mesh(small_job, tmp_path):
    path = two_boxes(tmp_path, small_job)
    job = load_job(path)
    write_partial(tmp_path / "p.h5", job.text, settings_of(job, load_solids(job)[0]), {"iteration": 1}, {})
    read_partial(tmp_path / "p.h5", settings_of(job, load_solids(job)[0]))
    trimesh.creation.box((1, 1, 2)).export(tmp_path / "a.stl")
    with pytest.raises(ResultError, match="another content of "):
        read_partial(tmp_path / "p.h5", settings_of(job, load_solids(job)[0]))


def sha256_of(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("what", ["changed", "gone"])
def test_a_record_is_of_the_files_that_were_read(small_job, tmp_path, monkeypatch, capsys, what):
    """Meshes and a loss of one's own, changed or gone while the design runs: nothing ends, and the record is true."""
    monkeypatch.chdir(tmp_path)
    text = two_boxes(tmp_path, small_job).read_text() + 'loss = "mine.py:short"\nbound_iterations = 0\n'
    (tmp_path / "two.toml").write_text(text.replace("iterations = 30", "iterations = 2"))
    (tmp_path / "mine.py").write_text("def short(dose, target):\n    return (1 - dose[target.solid]).square().mean()\n")
    names = ("a.stl", "b.stl", "mine.py")
    was = {name: sha256_of(tmp_path / name) for name in names}
    real = pipeline.design

    def meanwhile(*args, **options):
        for name in names:
            (tmp_path / name).unlink()
            if what == "changed":
                (tmp_path / name).write_text("something else")
        return real(*args, **options)

    monkeypatch.setattr(pipeline, "design", meanwhile)
    assert main(["design", "two.toml", "-o", "a.h5", "--anyway"]) in (0, 3, 4), capsys.readouterr().err
    assert read_result("a.h5").settings["files"] == was


def test_one_mesh_in_two_parts_must_be_one_mesh(small_job, tmp_path, monkeypatch):
    path = two_boxes(tmp_path, small_job)
    path.write_text(path.read_text().replace("b.stl", "a.stl"))
    job = load_job(path)
    real = solids.place

    def meanwhile(*args, **options):
        (tmp_path / "a.stl").write_bytes((tmp_path / "b.stl").read_bytes())
        return real(*args, **options)

    monkeypatch.setattr(solids, "place", meanwhile)
    with pytest.raises(JobError, match=r"a\.stl: changed while the parts of this job were read"):
        settings_of(job, load_solids(job)[0])


def test_a_result_that_cannot_be_written_is_known_before_the_work(small_job, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "disc.toml").write_text(small_job())
    (tmp_path / "taken").mkdir()
    for target in ("taken", "/proc/none/x.h5"):
        assert main(["design", "disc.toml", "-o", target, "--force"]) == 1
        error = capsys.readouterr().err
        assert target in error
        assert "design:" not in error  # no progress bar: nothing was designed
    assert sorted(p.name for p in tmp_path.iterdir()) == ["disc.toml", "taken"]


def test_an_exposure_limit_below_one_turn_is_known_before_the_work(small_job, tmp_path):
    text = small_job().replace("seconds_per_turn = 10", "seconds_per_turn = 10\nmax_exposure_s = 5")
    with pytest.raises(JobError, match="less than one turn"):
        parse_job(text, name="t", folder=tmp_path)


def test_a_grid_that_cannot_fit_is_known_before_the_work(small_job, tmp_path):
    text = small_job().replace("voxel_mm = 0.25", "voxel_mm = 0.0005")
    with pytest.raises(JobError, match=r"one slice at a time takes .*\n.*larger voxels in \[grid\]"):
        pipeline.prepare(parse_job(text, name="t", folder=tmp_path))


def test_came_out_takes_no_other_assumption_and_no_senseless_exposure(small_job, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "disc.toml").write_text(small_job(iterations=3))
    assert main(["design", "disc.toml", "-o", "a.h5"]) == 3  # three iterations leave no margin
    for more, words in (
        (["--absorption", "0.2"], "--exposure alone"),
        (["--exposure", "-5"], "-5"),
        (["--exposure", "nan"], "nan"),
    ):
        assert main(["predict", "a.h5", "--came-out", "too fat", *more]) == 1
        assert words in capsys.readouterr().err
    assert main(["predict", "a.h5", "--axis-offset", "inf"]) == 1
