"""Frames for the projector: a numbered stack of PNG images and a manifest with timing and geometry."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.export.mounting import Mounting
from lightlathe.export.planes import planes_of
from lightlathe.quantities import Patterns
from lightlathe.support.memory import free_bytes
from lightlathe.support.watching import doing, step

FRAME_BYTES = 8  # a pixel of one frame: codes of 16 bits and their copies while it is packed
ORIENTATION = (
    "Seen from the projector along the light: top row is up along the turning axis, left column is the lowest s; "
    "s, the light's direction and up are right-handed."
)
TIMING = {  # by the motion that the stage makes
    "continuous": (
        "The vial turns all the time. An image stands for dwell_s from starts_s on, counted from the start of each "
        "turn, when the vial is at scan_angle_at_start_deg; meanwhile the vial goes from scan_angle_from_deg to "
        "scan_angle_to_deg and is at scan_angle_deg in the middle."
    ),
    "stepped": (
        "The vial stands still at scan_angle_deg under an image, which is shown for dwell_s, and moves on in the dark. "
        "starts_s counts the light of a turn alone, without the moves between."
    ),
}
PLANES = (
    "Each image of the design is shown as planes_per_image one-bit frames of equal time; dwell_s, starts_s and the "
    "scan angles are those of each frame."
)


@doing("writing frames")
def write_frames(
    patterns: Patterns,
    codes: np.ndarray,
    folder: Path,
    *,
    bits: int,
    motion: str,
    facts: dict[str, Any],
    dark: int = 0,
    mounting: Mounting = Mounting(),  # noqa: B008, it does not change
    planes: int = 1,
) -> Path:
    """Write frame_00000.png ... and manifest.json into `folder`; returns the manifest's path.

    codes    (angle, column, row) integer codes of the lit columns and rows, the projector's response undone
    motion   "continuous" or "stepped": what the stage does while an image stands; see TIMING
    facts    more entries for the manifest: name, sense, response
    dark     the code of all other columns and rows: frames have the size of the projector's field
    mounting   how frames are flipped and turned, after all else
    planes     more than 1: codes are numbers of one-bit planes, and each image becomes as many frames (planes.py)

    Plain sort order is showing order; one full turn is written, to be repeated `turns` times. Up to 8 bits gives
    8-bit grey PNG with the code as value, more bits 16-bit grey PNG, and planes PNG of one bit.
    Raises ResultError unless the folder is new or empty and can be written, and for a field of which not even one frame
    fits the memory.
    """
    folder = Path(folder)
    _require_memory(patterns)
    manifest = manifest_of(patterns, codes, bits, motion, facts, mounting, planes)
    depth = np.uint8 if bits <= 8 else np.uint16
    names = iter([frame["file"] for frame in manifest["frames"]])
    path = folder / "manifest.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if found := next(folder.iterdir(), None):
            raise ResultError(f"{folder}: holds {found.name} already; expected an empty or new folder. Name another.")
        for image in codes:
            whole = patterns.field.padded(image, dark).T[::-1]
            for picture in [whole.astype(depth)] if planes == 1 else planes_of(whole, planes):
                Image.fromarray(mounting.native(picture)).save(folder / next(names))
            step(of=len(codes))
        path.write_text(json.dumps(manifest, indent=1), encoding="utf-8")
    except (OSError, ValueError) as problem:  # ValueError: a path that no system takes
        raise ResultError(
            f"{folder}: cannot write frames there ({problem}); expected an empty or new folder with room on the disk."
        ) from None
    return path


def _require_memory(patterns: Patterns) -> None:
    field, free = patterns.field, free_bytes(torch.device("cpu"))
    needed = FRAME_BYTES * field.columns * field.rows
    if needed > free:
        raise ResultError(
            f"a frame of {field.columns} x {field.rows} pixels takes {needed / 1e9:.3g} GB to write, and "
            f"{free / 1e9:.3g} GB are free. Are these the projector's columns and rows?"
        )


def manifest_of(
    patterns: Patterns,
    codes: np.ndarray,
    bits: int,
    motion: str,
    facts: dict[str, Any],
    mounting: Mounting,
    planes: int,
) -> dict[str, Any]:
    """The manifest: what projector and stage need to show one turn of frames. Of an image in several planes each is a
    frame, which stands for its share of the image's time and of the step that the vial makes meanwhile."""
    angles, columns, rows = len(codes), patterns.field.columns, patterns.field.rows
    if mounting.rotate_deg in (90, 270):
        columns, rows = rows, columns
    digits = max(5, len(str(angles * planes - 1)))
    dwell_s = patterns.dwell_s / planes
    scan = [math.degrees(angle) for angle in patterns.angle_rad.tolist()]
    step = scan[1] - scan[0] if angles > 1 else 360.0
    half = step / 2 if motion == "continuous" else 0.0
    return {
        "columns": columns,
        "rows": rows,
        **mounting.facts(ORIENTATION),
        "motion": motion,
        "timing": TIMING[motion],
        "pixel_mm": patterns.pixel_mm,
        "full_code": 2**bits - 1,
        "irradiance_mw_cm2_at_full_code": patterns.irradiance_mw_cm2,
        "dwell_s": dwell_s,
        **({"planes_per_image": planes, "image_dwell_s": patterns.dwell_s, "planes": PLANES} if planes > 1 else {}),
        "seconds_per_turn": patterns.dwell_s * angles,
        "turns": patterns.turns,
        "exposure_s": patterns.exposure_s,
        "scan_angle_at_start_deg": scan[0] - half,
        **facts,
        "frames": [
            {
                "file": f"frame_{number * planes + plane:0{digits}d}.png",
                "scan_angle_deg": scan[number] + half * (2 * plane + 1 - planes) / planes,
                "scan_angle_from_deg": scan[number] + half * (2 * plane / planes - 1),
                "scan_angle_to_deg": scan[number] + half * (2 * (plane + 1) / planes - 1),
                "starts_s": number * patterns.dwell_s + plane * dwell_s,
            }
            for number in range(angles)
            for plane in range(planes)
        ],
    }
