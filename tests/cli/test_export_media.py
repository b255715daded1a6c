"""`lightlathe export`: videos, player and figures from the command line, and options that belong to nothing."""

import pytest

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.job import parse_job
from lightlathe.result import write_result


@pytest.fixture(scope="module")
def folder(tmp_path_factory, small_job):
    folder = tmp_path_factory.mktemp("media")
    record = pipeline.design(parse_job(small_job(iterations=5) + "bound_iterations = 0\n", name="disc", folder=folder))
    write_result(record, folder / "d.lathe.h5")
    return folder


def test_all_of_it(folder, capsys, monkeypatch):
    pytest.importorskip("av")
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(folder)
    frames, rest = (
        "--frames f --format npy --whole-exposure",
        "--player p --figures g --slice z=-0.1 --line -1 0 0 1 0 0",
    )
    for options in (frames, f"--video v.mp4 {rest}"):
        assert main(["export", "d.lathe.h5", *options.split()]) == 0
    said = capsys.readouterr().out
    assert "video: v.mp4\n  one turn, to be repeated: 60 images in a turn of 10 s, 6 images a second" in said
    for path in ("f/frames.npy", "v.mp4.json", "p/player.html", "g/slice_z_-0.1mm.png", "g/dose_along_line.csv"):
        assert (folder / path).stat().st_size > 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("", "nothing to export; name at least one of --frames"),
        ("--figures x --exposure 30", "--exposure is given without --frames, --video or --player; expected both"),
        ("--frames x --coding ffv1", "--coding is given without --video; expected both"),
        ("--player x --whole-exposure", "--whole-exposure is given without --frames or --video"),
        ("--frames x --slice z=1", "--slice is given without --figures"),
        ("--frames x --line 0 0 0 1 0 0", "--line is given without --figures"),
        ("--video x.mkv --format png", "--format is given without --frames or --figures"),
        ("--frames x --format svg", "--format svg is none of --frames; expected png, tiff or npy"),
        ("--figures x --format tiff", "--format tiff is none of --figures; expected png, svg or pdf"),
        ("--figures x --slice z=9", "is outside the grid; expected z from"),
    ],
)
def test_options_that_mean_nothing_are_refused(folder, capsys, monkeypatch, options, words):
    monkeypatch.chdir(folder)
    assert main(["export", "d.lathe.h5", *options.split()]) == 1
    assert words in capsys.readouterr().err
    assert not (folder / "x").exists()
