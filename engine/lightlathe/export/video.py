"""Videos of the frames, lossless or for usual players, at exactly the rate of the turn, and decoded before they count.

Grey levels become luma as they are, full range tagged, and colour is neutral: no matrix and no scaling comes between.
"""

import contextlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from lightlathe.errors import ResultError, shown
from lightlathe.export.images import SCALE, Images
from lightlathe.support.files import DRAWN_BY, what_is
from lightlathe.support.watching import doing
from lightlathe.support.words import amount, any_of, count

FULL_RANGE = 2  # AVCOL_RANGE_JPEG: 0 is black and 255 white
NEUTRAL = 128  # of both colour differences
USUAL_HZ = 240  # no usual screen or player shows more images a second (common practice, no source)
CLOCK = 1e-9  # of a turn's time: no stage keeps to it more exactly
LARGEST_INT = 2**31 - 1  # a rate is two whole numbers of 32 bits
AFTER = "a black frame follows the last one, on which a player that holds the last image stops"


@dataclass(frozen=True)
class Coding:
    """How frames are coded.

    containers   file endings that can hold it, and their names in FFmpeg
    codec, pixels, options   of FFmpeg
    step         pixels of which width and height must be multiples
    off_by       how far a level may be from its own after decoding
    """

    containers: dict[str, str]
    codec: str
    pixels: str
    options: dict[str, str] = field(default_factory=dict)
    step: int = 1
    off_by: int = 0


MKV, MP4 = {".mkv": "matroska"}, {".mp4": "mp4"}
NO_REORDERING = {"bf": "0", "preset": "veryfast"}
TO_NEAREST = "deadzone-inter=0:deadzone-intra=0:trellis=0:8x8dct=0"  # of coefficients; x264 rounds towards zero
CODINGS = {
    "ffv1": Coding(MKV, "ffv1", "gray", {"level": "3", "slicecrc": "1"}),
    "h264_lossless": Coding(MKV | MP4, "libx264", "yuv444p", {"qp": "0", **NO_REORDERING}),
    "h264": Coding(MP4 | MKV, "libx264", "yuv420p", {"qp": "1", "x264-params": TO_NEAREST, **NO_REORDERING}, 2, 1),
}  # fmt: skip
USUAL = {".mkv": "ffv1", ".mp4": "h264"}  # the coding of a file whose name ends so
MKV_LEAST_S = 0.002  # its time stamps are whole milliseconds (RFC 9559, TimestampScale as FFmpeg writes it)


def write_video(
    images: Images, path: Path, coding: str | None = None, *, replace: bool = False
) -> tuple[Path, tuple[str, ...]]:
    """Write the frames as a video and, beside it, FILE.json with the manifest; returns the path and what to know of it.

    path     ends in .mkv or .mp4, and names nothing yet
    replace  a video that this program wrote under that name before, told by the manifest beside it, is replaced
    coding   one of CODINGS; by default lossless FFV1 in .mkv, in .mp4 H.264 that usual players show, every level
             within 1 of its own
    Fewer than 8 bits are spread over 0..255 (`Images.shades`). Frames that the coding cannot hold (odd sizes in 4:2:0)
    get a black column at the right or a black row at the bottom. The file is decoded and compared before it gets its
    name.
    Raises ResultError for codes of more than 8 bits, a name that is taken or ends otherwise, a missing PyAV, and where
    decoded levels are further off than the coding allows.
    """
    path, av = Path(path), _av()
    name, how, container = _coding(path, coding)
    images.require_shades("a video")
    images.require_memory()
    manifest_path = path.with_name(path.name + ".json")
    if not (replace and _is_ours(path, manifest_path)):
        for taken in (path, manifest_path):
            if os.path.lexists(taken):
                more = (
                    ", or --replace for a video that Lightlathe wrote, its manifest beside it" if path.exists() else ""
                )
                raise ResultError(f"{taken}: is {what_is(taken)}; expected a new name for the video{more}.")
    if container == MKV[".mkv"] and 1 / images.rate < MKV_LEAST_S:
        raise ResultError(
            f"{path}: {amount(float(images.rate), 4)} frames a second are too many for a .mkv, whose time stamps are "
            "whole milliseconds. Name a .mp4, with --coding h264_lossless for every level as it is."
        )
    draft = path.with_name(f".{path.name}.part")
    try:
        with doing("writing the video", of=_count(images)):
            _encode(images, how, container, draft)
        with doing("decoding the video", of=_count(images)):
            seen, worst, rate = _compared(images, how, draft)
        if seen != _count(images) or worst > how.off_by:
            raise ResultError(
                f"{path}: {seen} of {_count(images)} frames came back from the encoder, their levels off by {worst} at "
                f"most; expected {how.off_by} at most. Name a .mkv for a lossless video."
            )
        notes = tuple(_notes(images, how, rate, worst))
        written = {"video": path.name, "coding": name, "levels_off_by_at_most": worst, "notes": list(notes)}
        at = {"frame_rate": str(rate), "grey_at_full_code": 255, "frames_in_file": _count(images)}
        manifest = {**written, **at, **images.manifest(lambda number: {"frame": number})}
        manifest_path.write_text(json.dumps(manifest, indent=1), encoding="utf-8")
        os.replace(draft, path)
    except (OSError, ValueError, av.FFmpegError) as problem:  # ValueError: a path that no system takes
        raise ResultError(
            f"{path}: cannot write the video ({problem}). Is there such a folder, writable, and room on the disk?"
        ) from None
    finally:
        if os.path.lexists(draft):
            draft.unlink()
    return path, notes


def _is_ours(path: Path, manifest: Path) -> bool:
    """Whether a manifest of this program says that it belongs to the video, both plain files."""
    if any(each.is_symlink() or not each.is_file() for each in (path, manifest)):
        return False
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        found = json.loads(manifest.read_text(encoding="utf-8"))
        return found["video"] == path.name and found["scale"] == SCALE
    return False


def _coding(path: Path, coding: str | None) -> tuple[str, Coding, str]:
    """The coding, by name too, and FFmpeg's name of the container."""
    ending = path.suffix.lower()
    if ending not in USUAL:
        raise ResultError(f"{path}: expected the name of a video that ends in {any_of(list(USUAL))}.")
    name = coding or USUAL[ending]
    if name not in CODINGS:
        raise ResultError(f"coding {shown(name)} is unknown; expected {any_of(list(CODINGS))}.")
    how = CODINGS[name]
    if ending not in how.containers:
        raise ResultError(f"{path}: {name} goes into files that end in {any_of(list(how.containers))}.")
    return name, how, how.containers[ending]


def _count(images: Images) -> int:
    return images.count + (images.turns > 1)


def _size(images: Images, how: Coding) -> tuple[int, int]:
    """Width and height of the video."""
    columns, rows = (-(-size // how.step) * how.step for size in images.size)
    return columns, rows


def _rate(images: Images) -> Fraction:
    """Frames a second as two numbers of 32 bits."""
    rate = images.rate
    largest = LARGEST_INT
    while max(rate.numerator, rate.denominator) > LARGEST_INT:
        largest //= 2
        rate = rate.limit_denominator(largest)
    return rate


def _in_frame(images: Images, how: Coding) -> Iterator[np.ndarray]:
    """(height, width) uint8, the images of the video as they are coded: padded with black, those of the whole exposure
    with a black one at the end."""
    (columns, rows), (width, height) = images.size, _size(images, how)
    for shade in images.shades():
        yield np.pad(shade, ((0, height - rows), (0, width - columns)))
    if images.turns > 1:
        yield np.zeros((height, width), np.uint8)


def _encode(images: Images, how: Coding, container: str, path: Path) -> None:
    av, rate, (width, height) = _av(), _rate(images), _size(images, how)
    options = {"movflags": "+faststart"} if container == "mp4" else {}
    with av.open(str(path), "w", format=container, options=options) as file:
        file.metadata["comment"] = DRAWN_BY
        stream = file.add_stream(how.codec, rate=rate, options=how.options)
        stream.width, stream.height, stream.pix_fmt = width, height, how.pixels
        stream.codec_context.color_range = FULL_RANGE
        stream.codec_context.time_base = stream.time_base = 1 / rate
        for number, picture in enumerate(_in_frame(images, how)):
            frame = av.VideoFrame(width, height, how.pixels)
            frame.color_range, frame.pts, frame.time_base = FULL_RANGE, number, 1 / rate
            for plane, into in enumerate(frame.planes):
                pixels = np.frombuffer(into, np.uint8).reshape(into.height, into.line_size)  # lines may be longer
                pixels[:, :width] = NEUTRAL if plane else picture
            file.mux(stream.encode(frame))
        file.mux(stream.encode(None))


def _compared(images: Images, how: Coding, draft: Path) -> tuple[int, int, Fraction]:
    """How many frames the file has, how far their levels are off at most, and the frame rate that it states."""
    seen = worst = 0
    with _av().open(str(draft)) as file:
        stream = file.streams.video[0]
        wanted = _in_frame(images, how)
        for frame in file.decode(stream):
            luma = frame.planes[0]
            got = np.frombuffer(luma, np.uint8).reshape(luma.height, luma.line_size)[:, : frame.width]
            seen += 1
            if (picture := next(wanted, None)) is not None:
                worst = max(worst, int((np.maximum(got, picture) - np.minimum(got, picture)).max()))
        return seen, worst, Fraction(stream.average_rate)


def _notes(images: Images, how: Coding, rate: Fraction, worst: int) -> Iterator[str]:
    """What to know before it is shown."""
    (columns, rows), frames, hz = images.size, images.a_turn, amount(float(rate), 9)
    off = "every level as it is" if worst == 0 else f"every level of 0..255 within {worst}"
    turns = "one turn, to be repeated" if images.turns == 1 else f"all {count(images.turns, 'turn')} of the exposure"
    exactly = hz if rate.denominator == 1 else f"{rate} = {hz}"
    a_turn = f"{count(frames, 'image')} in a turn of {amount(float(images.turn_s), 9)} s"
    yield f"{turns}: {a_turn}, {exactly} images a second; {off}"
    if abs(rate / images.rate - 1) > CLOCK:
        yield (
            f"the file's clock is too coarse for that rate: it states {rate}. For a player that goes by it set the "
            f"stage to {float(frames / rate):.12g} s a turn; a .mp4 states the rate exactly"
        )
    wide, high = _size(images, how)
    if (wide, high) != (columns, rows):
        yield (
            f"{columns} x {rows} pixels padded with black to {wide} x {high}, at the right and at the bottom; show it "
            "pixel by pixel, not scaled to the screen"
        )
    if images.rate > USUAL_HZ:
        yield (
            f"no usual player shows {amount(float(images.rate), 4)} images a second: this is a file for the "
            "projector's own program"
        )
    each = images.facts.get("frames_of_the_projector_each", 1.0)
    if abs(each - max(1, round(each))) > 1e-6 * each:
        yield (
            f"each image lasts {amount(each, 5)} frames of the projector: some stand longer than others. `lightlathe "
            "check` names a turn's time for which all stand alike (timing)"
        )
    if images.motion == "stepped":
        yield "the job's stage stops for each image: this video leaves no time for the moves between"
    if images.turns > 1:
        yield AFTER


def _av() -> Any:
    try:
        import av
    except ImportError:
        raise ResultError(
            "a video needs PyAV, which is not installed. pip install 'av>=14' (the extra 'video')"
        ) from None
    return av
