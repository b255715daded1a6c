"""Frames, video and player show the same final images: response undone, flipped, turned, whole field."""

import json

import numpy as np
import pytest
from PIL import Image

from lightlathe import pipeline
from lightlathe.job import parse_job
from lightlathe.result import read_result, write_result
from odd_jobs import disc

av = pytest.importorskip("av")
LIGHT = """rows = 20
flip = "left_right"
rotate_deg = 90
axis_offset_pixels = 2
response = { kind = "power", exponent = 2.2 }"""


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    folder = tmp_path_factory.mktemp("projected")
    text = disc(
        ("rows = 20", LIGHT), ("iterations = 12\nbound_iterations = 40", "iterations = 6\nbound_iterations = 0")
    )
    return read_result(
        write_result(pipeline.design(parse_job(text, name="disc", folder=folder)), folder / "d.lathe.h5")
    )


def pngs(folder):
    manifest = json.loads((folder / "manifest.json").read_text())
    return np.stack([np.asarray(Image.open(folder / frame["file"])) for frame in manifest["frames"]]), manifest


def by_hand(record):
    """(frame, row, column): the code that gives each level's light on a projector of exponent 2.2, then as mounted."""
    light = record.patterns.levels.numpy().astype(float) / record.patterns.full_scale
    whole = np.zeros((len(light), 40, 20))
    whole[:, record.patterns.field.lit[0], record.patterns.field.lit[1]] = np.rint(255 * light ** (1 / 2.2))
    picture = whole.transpose(0, 2, 1)[:, ::-1, ::-1]  # top row first, then flipped left to right
    return picture.transpose(0, 2, 1)[:, :, ::-1]  # turned clockwise: the left column becomes the top row


def test_all_three_show_the_same(record, tmp_path):
    pipeline.frames(record, tmp_path / "frames")
    path, _ = pipeline.video(record, tmp_path / "v.mkv")
    pipeline.player(record, tmp_path / "player")
    frames, manifest = pngs(tmp_path / "frames")
    np.testing.assert_array_equal(frames, by_hand(record))
    assert len(np.unique(frames)) > 20
    with av.open(str(path)) as file:
        video = np.stack([frame.to_ndarray(format="gray") for frame in file.decode(video=0)])
    np.testing.assert_array_equal(video, frames)
    played, of_player = pngs(tmp_path / "player")
    np.testing.assert_array_equal(played, frames)
    of_video = json.loads((tmp_path / "v.mkv.json").read_text())
    for told in (manifest, of_player, of_video):
        assert "injure eyes and skin" in told["caution"]
        assert "ultraviolet light look weaker than they are" in told["caution"]
        assert (told["columns"], told["rows"], told["flip"], told["rotate_deg"]) == (20, 40, "left_right", 90)
        assert told["response_undone"]["exponent"] == 2.2


def test_another_exposure_in_all_turns(record, tmp_path):
    """Twice as long: half the rate, the same images."""
    exposure = record.patterns.exposure_s
    short = pipeline.video(record, tmp_path / "a.mkv", whole_exposure=True)[1]
    long = pipeline.video(record, tmp_path / "b.mkv", 2 * exposure, whole_exposure=True)[1]
    assert ", 6 images a second" in short[0]
    assert ", 3 images a second" in long[0]
    told = json.loads(pipeline.frames(record, tmp_path / "f", form="npy", whole_exposure=True).read_text())
    stack = np.load(tmp_path / "f" / "frames.npy")
    turns = record.patterns.turns
    assert (told["turns_written"], len(stack)) == (turns, turns * 60)
    np.testing.assert_array_equal(stack, np.tile(by_hand(record), (turns, 1, 1)))
