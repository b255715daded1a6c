"""Frames for the projector: numbered PNG images, one multi-page TIFF or one NumPy array, and a manifest with timing and
geometry."""

import contextlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from lightlathe.errors import ResultError, shown
from lightlathe.export.images import SCALE, Images
from lightlathe.support.files import DRAWN_BY
from lightlathe.support.folders import new_folder, unlisted
from lightlathe.support.watching import doing, step
from lightlathe.support.words import any_of

MANIFEST, PLAYER = "manifest.json", "player.html"
MM_PER_CM = 10.0
CLASSIC_TIFF_BYTES = 3_900_000_000  # of pixels: its offsets have 32 bits


@doing("writing frames")
def write_frames(images: Images, folder: Path, form: str = "png", *, replace: bool = False) -> Path:
    """Write the frames and manifest.json into `folder`; returns the manifest's path.

    form   one of FORMS. "png": frame_00000.png ..., as many digits as the count takes; plain sort order is showing
           order. "tiff": all frames as pages of frames.tif, with the pixel pitch in the vial's place as resolution.
           "npy": frames.npy, an array (frame, row, column), top row first
    replace   frames or a player that this program wrote into `folder` before are replaced, all of them

    Codes of up to 8 bits are values of 8 bits, more bits of 16, and planes are images of one bit (bool in an array).
    Raises ResultError unless the folder is new or empty and can be written, and for a field of which not even one frame
    fits the memory.
    """
    if form not in FORMS:
        raise ResultError(f"format {shown(form)} is none of frames; expected {any_of(list(FORMS))}.")
    if form == "tiff":
        _tifffile()
    images.require_memory()
    with new_folder(folder, "frames", foreign_to_frames if replace else None) as into:
        manifest = images.manifest(FORMS[form](images, into))
        (into / MANIFEST).write_text(json.dumps(manifest, indent=1), encoding="utf-8")
    return folder / MANIFEST


def foreign_to_frames(folder: Path) -> str:
    """The name of something in a folder that is not of the frames, or the player, which its manifest lists; of any file
    where there is no such manifest. Empty where all of it is."""
    listed: set[str] = set()
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        found = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        if found["scale"] == SCALE:  # the manifest of this program
            listed = {MANIFEST, PLAYER, *(str(frame["file"]) for frame in found["frames"])}
    return unlisted(folder, listed)


Place = Callable[[int], dict[str, Any]]  # number of a frame -> what the manifest says of where it is


def write_png(images: Images, folder: Path) -> Place:
    """A file for each frame. Turns are alike, so those after the first are copies."""
    digits = max(5, len(str(images.count - 1)))
    a_turn = images.a_turn

    def name(number: int) -> str:
        return f"frame_{number:0{digits}d}.png"

    for number, frame in enumerate(images.of_turns(1)):
        Image.fromarray(frame).save(folder / name(number))
    for number in range(a_turn, images.count):
        shutil.copyfile(folder / name(number % a_turn), folder / name(number))
        step(of=images.count)
    return lambda number: {"file": name(number)}


def write_tiff(images: Images, folder: Path) -> Place:
    """Pages of one file, packed by deflate."""
    per_cm, (columns, rows) = MM_PER_CM / images.patterns.pixel_mm, images.size
    size = images.count * columns * rows * np.dtype(images.dtype).itemsize
    with _tifffile().TiffWriter(folder / "frames.tif", bigtiff=size > CLASSIC_TIFF_BYTES) as file:
        for frame in images.frames():
            file.write(
                frame,
                photometric="minisblack",
                compression="zlib",
                resolution=(per_cm, per_cm),
                resolutionunit="CENTIMETER",
                software=DRAWN_BY,
                metadata=None,
            )
    return lambda number: {"file": "frames.tif", "page": number}


def write_npy(images: Images, folder: Path) -> Place:
    """One array, written frame by frame."""
    columns, rows = images.size
    shape, path = (images.count, rows, columns), folder / "frames.npy"
    stack = np.lib.format.open_memmap(path, mode="w+", dtype=images.dtype, shape=shape)
    for number, frame in enumerate(images.frames()):
        stack[number] = frame
    stack.flush()
    return lambda number: {"file": path.name, "index": number}


def _tifffile() -> Any:
    try:
        import tifffile
    except ImportError:
        raise ResultError(
            "a multi-page TIFF needs tifffile, which is not installed. pip install 'tifffile>=2024.2' (the extra "
            "'tiff')"
        ) from None
    return tifffile


FORMS: dict[str, Callable[[Images, Path], Place]] = {"png": write_png, "tiff": write_tiff, "npy": write_npy}
