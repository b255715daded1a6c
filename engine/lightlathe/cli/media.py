"""Videos, the player page and figures of `lightlathe export`."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lightlathe.errors import LightlatheError
from lightlathe.support.words import any_of

if TYPE_CHECKING:
    from lightlathe.result import Record

MEDIA = ("video", "player", "figures")
FORMATS = {"frames": ("png", "tiff", "npy"), "figures": ("png", "svg", "pdf")}
BELONGS = {  # an option, and those of which one must be there for it to mean anything
    "exposure": ("frames", "video", "player"),
    "coding": ("video",),
    "whole_exposure": ("frames", "video"),
    "slice": ("figures",),
    "line": ("figures",),
    "format": ("frames", "figures"),
    "replace": ("frames", "video", "player", "figures"),
}


def media_options(sub: argparse.ArgumentParser) -> None:
    """Of `export`: videos, the player page, figures."""
    sub.add_argument("--video", type=Path, metavar="FILE", help="a video: .mkv lossless, .mp4 for any player")
    sub.add_argument("--coding", metavar="NAME", help="of it: ffv1, h264_lossless, h264 (default: by name)")
    sub.add_argument("--player", type=Path, metavar="FOLDER", help="frames, and a page that plays them")
    again = "frames, video, player, figures of before"
    sub.add_argument("--replace", action="store_true", help=again)
    sub.add_argument("--whole-exposure", action="store_true", help="frames and video: all turns, not one to repeat")
    sub.add_argument("--figures", type=Path, metavar="FOLDER", help="figures for print, their numbers as CSV")
    sub.add_argument("--slice", action="append", default=[], metavar="AXIS=MM", help="one more slice, such as z=1.2")
    sub.add_argument(
        "--line",
        type=float,
        nargs=6,
        metavar=("X1", "Y1", "Z1", "X2", "Y2", "Z2"),
        help="dose along this line, in mm, as figure and CSV",
    )
    formats = "frames: png, tiff, npy; figures: png, svg, pdf"
    sub.add_argument("--format", choices=("png", "tiff", "npy", "svg", "pdf"), metavar="NAME", help=formats)


def require_meaning(arguments: argparse.Namespace) -> None:
    """LightlatheError for an option that nothing asked for would take, and for a format that it does not have."""
    for option, owners in BELONGS.items():
        if getattr(arguments, option) and not any(getattr(arguments, owner) for owner in owners):
            named = any_of([f"--{owner}" for owner in owners])
            raise LightlatheError(f"--{option.replace('_', '-')} is given without {named}; expected both.")
    for owner, formats in FORMATS.items():
        if arguments.format and getattr(arguments, owner) and arguments.format not in formats:
            raise LightlatheError(
                f"--format {arguments.format} is none of --{owner}; expected {any_of(list(formats))}. Export frames "
                "and figures one after the other where their formats differ."
            )


def export_media(record: "Record", arguments: argparse.Namespace) -> dict[str, Any]:
    """Write what is asked for of MEDIA, and say where it is; returns it as plain values too."""
    from lightlathe import pipeline

    written: dict[str, Any] = {}
    again = {"replace": arguments.replace}
    if arguments.video is not None:
        more = {"coding": arguments.coding, "whole_exposure": arguments.whole_exposure, **again}
        path, notes = pipeline.video(record, arguments.video, arguments.exposure, **more)
        print(f"video: {path}", *notes, sep="\n  ")
        written["video"] = {"file": str(path), "said": list(notes)}
    if arguments.player is not None:
        page = pipeline.player(record, arguments.player, arguments.exposure, **again)
        print(f"player: {page}")
        written["player"] = str(page)
    if arguments.figures is not None:
        more = {"form": arguments.format or "png", "slices": arguments.slice, "line": arguments.line, **again}
        paths = pipeline.figures(record, arguments.figures, **more)
        print("figures:", *paths, sep="\n  ")
        written["figures"] = [str(path) for path in paths]
    return written
