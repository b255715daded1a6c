"""Frames as PNG, TIFF and NumPy array, read by other readers than those that wrote them."""

import dataclasses
import json
import sys

import numpy as np
import pytest
import torch
from image_sets import images_of, random_levels, upright
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.export.frames import FORMS, write_frames
from lightlathe.export.mounting import Mounting

pytest.importorskip("tifffile")


def read(folder, every=1):
    """(frame, row, column) by Pillow, or by NumPy's loader, in the order and places that the manifest names.

    every   1: all frames; more: only each so many, as Pillow takes longer for a page the further back it is
    """
    manifest = json.loads((folder / "manifest.json").read_text())
    pictures, opened = [], {}
    for frame in manifest["frames"][::every]:
        path = folder / frame["file"]
        if path.suffix == ".npy":
            opened.setdefault(path, np.load(path, mmap_mode="r"))
            pictures.append(opened[path][frame["index"]])
        elif path.suffix == ".tif":
            if path not in opened:
                opened[path] = Image.open(path)
            opened[path].seek(frame["page"])
            pictures.append(np.asarray(opened[path]))
        else:
            with Image.open(path) as image:
                pictures.append(np.asarray(image))
    for file in opened.values():
        if isinstance(file, Image.Image):
            file.close()
    return np.stack(pictures), manifest


@pytest.mark.parametrize("form", list(FORMS))
@pytest.mark.parametrize(("bits", "shape"), [(8, (137, 9, 5)), (12, (137, 9, 5)), (8, (2, 1919, 1079))])
def test_every_level_comes_back(tmp_path, form, bits, shape):
    levels = random_levels(shape, 2**bits - 1)
    write_frames(images_of(levels, bits=bits), tmp_path / "f", form)
    frames, manifest = read(tmp_path / "f")
    assert (manifest["columns"], manifest["rows"]) == shape[1:]
    assert len(np.unique(frames)) == 2**bits
    np.testing.assert_array_equal(frames, upright(levels))


@pytest.mark.parametrize("form", list(FORMS))
def test_twelve_thousand_frames(tmp_path, form):
    levels = random_levels((4000, 6, 4))
    write_frames(images_of(levels, written=3), tmp_path / "f", form)
    every = 97 if form == "tiff" else 1  # a prime
    frames, manifest = read(tmp_path / "f", every)
    assert len(manifest["frames"]) == 12_000
    np.testing.assert_array_equal(frames, np.tile(upright(levels), (3, 1, 1))[::every])
    if form == "tiff":
        with Image.open(tmp_path / "f" / "frames.tif") as image:
            assert image.n_frames == 12_000
    assert [frame["turn"] for frame in manifest["frames"]] == [1] * 4000 + [2] * 4000 + [3] * 4000
    assert manifest["frames"][4000] == manifest["frames"][0] | {
        key: manifest["frames"][4000][key] for key in ("file", "turn", "page", "index") if key in manifest["frames"][0]
    }


@pytest.mark.parametrize("form", list(FORMS))
def test_planes_are_bits(tmp_path, form):
    """Of every pixel as many planes are lit as its level says, frames turned as mounted."""
    levels = torch.from_numpy(np.random.default_rng(2).integers(0, 13, (5, 7, 4)))
    images = images_of(levels, bits=1, top=12, planes=12, mounting=Mounting("left_right", 90))
    write_frames(images, tmp_path / "f", form)
    frames, manifest = read(tmp_path / "f")
    assert (frames.dtype, manifest["columns"], manifest["rows"]) == (bool, 4, 7)
    lit = frames.reshape(5, 12, 7, 4).sum(1)
    # flipped left to right, then turned clockwise: the first column, from the bottom up, is the last row
    np.testing.assert_array_equal(lit, upright(levels)[:, ::-1, ::-1].transpose(0, 2, 1))


def test_names_sort_in_showing_order_however_many(tmp_path):
    """100,001 frames have names of six digits; only the names are looked at here."""
    from lightlathe.export import frames as module

    images = images_of(random_levels((1, 1, 1)), written=100_001)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module.shutil, "copyfile", lambda *_: None)
        place = module.write_png(images, tmp_path)
    names = [place(number)["file"] for number in range(100_001)]
    assert names == sorted(names)
    assert names[0] == "frame_000000.png"


def test_pages_carry_the_pixel_pitch(tmp_path):
    """0.05 mm are 200 pixels a cm, 508 an inch."""
    import tifffile

    write_frames(images_of(random_levels((3, 9, 5))), tmp_path / "f", "tiff")
    with Image.open(tmp_path / "f" / "frames.tif") as image:
        assert image.n_frames == 3
        assert image.info["dpi"] == (508.0, 508.0)
    with tifffile.TiffFile(tmp_path / "f" / "frames.tif") as file:
        tags = file.pages[2].tags
        assert (tags["ResolutionUnit"].value, tags["XResolution"].value, tags["YResolution"].value) == (
            3,
            (200, 1),
            (200, 1),
        )


def test_one_scale_and_zero_stays_zero(tmp_path):
    """A dim image beside a bright one keeps its levels; the manifest counts what could not be brighter."""
    levels = torch.zeros((3, 8, 6), dtype=torch.uint8)
    levels[1, 2:4], levels[2, 5] = 7, 255
    write_frames(images_of(levels), tmp_path / "f")
    frames, manifest = read(tmp_path / "f")
    assert [int(frame.max()) for frame in frames] == [0, 7, 255]
    assert (frames == 0).sum() == (levels == 0).sum()
    assert (manifest["full_code"], manifest["black_code"], manifest["pixels_at_full_code"]) == (255, 0, 6)


def test_a_format_that_is_none_is_refused(tmp_path):
    with pytest.raises(ResultError, match="format 'svg' is none of frames; expected png, tiff or npy"):
        write_frames(images_of(random_levels((3, 9, 5))), tmp_path / "f", "svg")
    assert not (tmp_path / "f").exists()


def test_without_its_library_a_tiff_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "tifffile", None)
    with pytest.raises(ResultError, match=r"a multi-page TIFF needs tifffile.*pip install 'tifffile>=2024\.2'"):
        write_frames(images_of(random_levels((3, 9, 5))), tmp_path / "f", "tiff")
    assert not (tmp_path / "f").exists()


@pytest.mark.parametrize("form", list(FORMS))
def test_images_are_made_one_at_a_time(tmp_path, form):
    """No more than one image's levels are turned into codes at once, however many there are."""
    seen = []

    def codes_of(levels):
        seen.append(levels.shape)
        return levels

    images = dataclasses.replace(images_of(random_levels((50, 9, 5))), codes_of=codes_of)
    write_frames(images, tmp_path / "f", form)
    assert set(seen) == {(9, 5)}
