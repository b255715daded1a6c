"""Frames for the projector: a numbered stack of PNG images and a manifest that says how to show them."""

import json
import math
from pathlib import Path

import numpy as np
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.quantities import Patterns

ORIENTATION = (
    "Seen from the projector along the light: top row is up along the turning axis, left column is the lowest s; "
    "s, the light's direction and up are right-handed."
)


def write_frames(patterns: Patterns, codes: np.ndarray, folder: Path, *, bits: int, facts: dict) -> Path:
    """Write frame_00000.png ... and manifest.json into `folder`; returns the manifest's path.

    codes    (angle, column, row) integer codes, the projector's response undone
    facts    more entries for the manifest: sense, response, resin, ...

    Plain sort order is showing order; one full turn is written, to be repeated `turns` times. Up to 8 bits gives
    8-bit grey PNG with the code as value, more bits 16-bit grey PNG. Raises ResultError if frames are there already.
    """
    folder = Path(folder)
    if folder.exists() and any(folder.glob("frame_*.png")):
        raise ResultError(f"{folder}: holds frames already; expected an empty or new folder. Name another one.")
    folder.mkdir(parents=True, exist_ok=True)
    digits = max(5, len(str(len(codes) - 1)))
    depth = np.uint8 if bits <= 8 else np.uint16
    angles = patterns.angle_rad.tolist()
    frames = []
    for number, image in enumerate(codes):
        name = f"frame_{number:0{digits}d}.png"
        Image.fromarray(np.ascontiguousarray(image.T[::-1]).astype(depth)).save(folder / name)
        frames.append(
            {
                "file": name,
                "scan_angle_deg": math.degrees(angles[number]),
                "starts_s": number * patterns.dwell_s,
            }
        )
    manifest = {
        "columns": int(codes.shape[1]),
        "rows": int(codes.shape[2]),
        "orientation": ORIENTATION,
        "pixel_mm": patterns.pixel_mm,
        "full_code": 2**bits - 1,
        "irradiance_mw_cm2_at_full_code": patterns.irradiance_mw_cm2,
        "dwell_s": patterns.dwell_s,
        "seconds_per_turn": patterns.dwell_s * len(frames),
        "turns": patterns.turns,
        "exposure_s": patterns.exposure_s,
        **facts,
        "frames": frames,
    }
    path = folder / "manifest.json"
    path.write_text(json.dumps(manifest, indent=1), encoding="utf-8")
    return path
