"""Frames: every pixel kept, in the right place, in showing order."""

import dataclasses
import json
import math

import numpy as np
import pytest
import torch
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.export.frames import write_frames
from lightlathe.export.images import Images
from lightlathe.quantities import Field, Patterns


def stack(shape, top):
    levels = torch.arange(int(np.prod(shape))).reshape(shape) % (top + 1)
    return Patterns(levels, torch.arange(shape[0]).double() * 0.5, top, 0.1, 20.0, dwell_s=0.25, turns=2)


def as_they_are(levels):
    return levels


def written(patterns, folder, bits=8, facts=None, form="png", **more):
    return write_frames(Images(patterns, as_they_are, bits, "continuous", facts or {}, **more), folder, form)


@pytest.mark.parametrize("bits", [8, 12])
def test_every_pixel_is_kept(tmp_path, bits):
    """Image [row from the top, column] is level [angle, column, row from the bottom]."""
    patterns = stack((3, 4, 5), 2**bits - 1)
    codes = patterns.levels.numpy()
    path = written(patterns, tmp_path / "frames", bits=bits)
    names = sorted(p.name for p in (tmp_path / "frames").glob("*.png"))
    manifest = json.loads(path.read_text())
    assert names == [frame["file"] for frame in manifest["frames"]]
    for a, name in enumerate(names):
        image = np.asarray(Image.open(tmp_path / "frames" / name))
        assert image.shape == (5, 4)
        for column in range(4):
            for row in range(5):
                assert image[4 - row, column] == codes[a, column, row]


def test_the_manifest_says_how_to_show_them(tmp_path):
    patterns = stack((3, 4, 5), 255)
    path = written(patterns, tmp_path / "f", facts={"sense": "clockwise"})
    manifest = json.loads(path.read_text())
    assert manifest["turns"] == 2
    assert manifest["exposure_s"] == pytest.approx(2 * 3 * 0.25)
    assert [f["starts_s"] for f in manifest["frames"]] == [0.0, 0.25, 0.5]
    assert manifest["frames"][1]["scan_angle_deg"] == pytest.approx(np.degrees(0.5))
    assert manifest["sense"] == "clockwise"


@pytest.mark.parametrize("dark", [0, 3])
def test_frames_have_the_size_of_the_field(tmp_path, dark):
    """The lit columns and rows where the field says, top row first; the code of dark everywhere else."""
    patterns = dataclasses.replace(stack((3, 4, 5), 255), lit=Field(11, 9, 6, 4, 5))
    codes = patterns.levels.numpy()
    path = written(patterns, tmp_path / "f", dark=dark)
    manifest = json.loads(path.read_text())
    assert (manifest["columns"], manifest["rows"]) == (11, 9)
    for a, frame in enumerate(manifest["frames"]):
        wanted = np.full((9, 11), dark)
        for column in range(4):
            for row in range(5):
                wanted[8 - (2 + row), 6 + column] = codes[a, column, row]
        assert np.array_equal(np.asarray(Image.open(tmp_path / "f" / frame["file"])), wanted)


def test_a_frame_that_cannot_be_held_is_refused(tmp_path):
    patterns = dataclasses.replace(stack((3, 4, 4), 255), lit=Field(10**7, 10**7, 6, 4, 4))
    with pytest.raises(ResultError, match=r"a frame of 10000000 x 10000000 pixels takes 8e\+05 GB to write"):
        written(patterns, tmp_path / "f")
    assert not (tmp_path / "f").exists()


def test_frames_are_never_mixed_with_old_ones(tmp_path):
    patterns = stack((3, 4, 5), 255)
    written(patterns, tmp_path)
    with pytest.raises(ResultError, match="expected an empty or new folder"):
        written(patterns, tmp_path)


def test_nothing_of_others_is_overwritten(tmp_path):
    (tmp_path / "manifest.json").write_text("another program's")
    patterns = stack((3, 4, 5), 255)
    with pytest.raises(ResultError, match=r"holds manifest\.json already"):
        written(patterns, tmp_path)
    assert (tmp_path / "manifest.json").read_text() == "another program's"
    assert [p.name for p in tmp_path.iterdir()] == ["manifest.json"]


@pytest.mark.parametrize("name", ["taken", "taken/inside", "a\0b", "n" * 300])
def test_paths_that_cannot_be_folders_are_errors(tmp_path, name):
    (tmp_path / "taken").write_text("a file")
    patterns = stack((3, 4, 5), 255)
    with pytest.raises(ResultError, match="expected an empty or new folder"):
        written(patterns, tmp_path / name)


@pytest.mark.parametrize("sense", [1, -1])
def test_an_image_stands_around_its_angle(tmp_path, sense):
    """The vial turns evenly from scan_angle_at_start_deg; half-way through an image it is at scan_angle_deg."""
    patterns = stack((8, 4, 5), 255)
    patterns = dataclasses.replace(patterns, angle_rad=sense * torch.arange(8).double() * math.pi / 4)
    path = written(patterns, tmp_path / "f")
    manifest = json.loads(path.read_text())
    assert "middle" in manifest["timing"]
    for frame in manifest["frames"]:
        middle = frame["starts_s"] + manifest["dwell_s"] / 2
        turned = sense * 360 * middle / manifest["seconds_per_turn"]
        assert manifest["scan_angle_at_start_deg"] + turned == pytest.approx(frame["scan_angle_deg"])
