"""The images of a turn as a projector takes them: codes, whole field, planes, flip and turn; and their timing.

Frames, videos and the player page are three writers of the same images.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
import torch

from lightlathe.errors import ResultError
from lightlathe.export.mounting import Mounting
from lightlathe.export.planes import planes_of
from lightlathe.quantities import Patterns
from lightlathe.support.memory import free_bytes
from lightlathe.support.watching import step

FRAME_BYTES = 8  # a pixel of one frame: codes of 16 bits and their copies while it is packed
EXACT_TO = 1e-12  # of a turn's time: a fraction this near is the time meant, before it became a float
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
SCALE = (
    "One scale for all frames: a pixel's value is the code that shows its level, chosen once for the whole set, and "
    "no light has the code black_code. pixels_at_full_code counts the pixels of one turn that cannot be any brighter."
)


@dataclass(frozen=True)
class Images:
    """The images of one turn, made one at a time.

    codes_of   levels (column, row) of the lit columns and rows -> integer codes, the projector's response undone
    bits       of a code
    motion     "continuous" or "stepped": what the stage does while an image stands; see TIMING
    facts      more entries for the manifest: name, sense, response
    dark       the code of all other columns and rows: frames have the size of the projector's field
    mounting   how frames are flipped and turned, after all else
    planes     more than 1: codes are numbers of one-bit planes, and each image becomes as many frames (planes.py)
    turns      how many turns are written: 1, to be repeated, or all of the exposure
    """

    patterns: Patterns
    codes_of: Callable[[np.ndarray], np.ndarray]
    bits: int
    motion: str
    facts: dict[str, Any] = field(default_factory=dict)
    dark: int = 0
    mounting: Mounting = Mounting()  # noqa: RUF009, frozen
    planes: int = 1
    turns: int = 1

    @property
    def a_turn(self) -> int:
        """Frames in one turn."""
        return len(self.patterns.angle_rad) * self.planes

    @property
    def count(self) -> int:
        """Frames in all turns that are written."""
        return self.a_turn * self.turns

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows of a frame as the projector takes it."""
        columns, rows = self.patterns.field.columns, self.patterns.field.rows
        return (rows, columns) if self.mounting.rotate_deg in (90, 270) else (columns, rows)

    @property
    def dtype(self) -> type:
        """Of a frame's values: bool where it is a plane."""
        return bool if self.planes > 1 else np.uint8 if self.bits <= 8 else np.uint16

    @property
    def turn_s(self) -> Fraction:
        """The time of a turn: the simple fraction that the float stands for, where there is one."""
        seconds = self.patterns.dwell_s * len(self.patterns.angle_rad)
        simple = Fraction(seconds).limit_denominator(10**6)
        return simple if abs(simple - Fraction(seconds)) <= EXACT_TO * seconds else Fraction(seconds)

    @property
    def rate(self) -> Fraction:
        """Frames a second."""
        return self.a_turn / self.turn_s

    def frames(self) -> Iterator[np.ndarray]:
        """(row, column) of `dtype`, top row first, one after another in showing order, of all turns that are written.
        Reports progress."""
        return self.of_turns(self.turns)

    def of_turns(self, turns: int) -> Iterator[np.ndarray]:
        """The frames of so many turns, all alike."""
        patterns = self.patterns
        for _ in range(turns):
            for levels in patterns.levels:
                whole = patterns.field.padded(self.codes_of(levels.numpy()), self.dark).T[::-1]
                for picture in [whole.astype(self.dtype)] if self.planes == 1 else planes_of(whole, self.planes):
                    yield self.mounting.native(picture)
                    step(of=self.count)

    def shades(self) -> Iterator[np.ndarray]:
        """The same as uint8 for a screen, 255 at full code: the code itself with 8 bits, spread evenly with fewer."""
        top = 1 if self.planes > 1 else 2**self.bits - 1
        table = np.rint(np.arange(top + 1) * (255 / top)).astype(np.uint8)
        for frame in self.frames():
            yield table[frame.astype(np.uint8)]

    def require_shades(self, what: str) -> None:
        """ResultError where a screen's 8 bits cannot show every code."""
        if self.bits > 8:
            raise ResultError(
                f"{what} shows 8 bits a pixel, and the codes of this projector have {self.bits}: most levels would be "
                "lost. Write 16-bit --frames for the projector's own program, or design with bits = 8 in [light]."
            )

    def require_memory(self) -> None:
        """ResultError where not even one frame fits the memory."""
        (columns, rows), free = self.size, free_bytes(torch.device("cpu"))
        needed = FRAME_BYTES * columns * rows
        if needed > free:
            raise ResultError(
                f"a frame of {columns} x {rows} pixels takes {needed / 1e9:.3g} GB to write, and "
                f"{free / 1e9:.3g} GB are available. Are these the projector's columns and rows?"
            )

    def manifest(self, place: Callable[[int], dict[str, Any]]) -> dict[str, Any]:
        """What projector and stage need to show the frames. Of an image in several planes each is a frame, which stands
        for its share of the image's time and of the step that the vial makes meanwhile.

        place   number of a frame, from 0 -> where its pixels are: {"file": "frame_00000.png"}
        """
        patterns, planes = self.patterns, self.planes
        angles, (columns, rows) = len(patterns.angle_rad), self.size
        scan = [math.degrees(angle) for angle in patterns.angle_rad.tolist()]
        gap = scan[1] - scan[0] if angles > 1 else 360.0
        half = gap / 2 if self.motion == "continuous" else 0.0
        each_s = patterns.dwell_s / planes
        several = {"planes_per_image": planes, "image_dwell_s": patterns.dwell_s, "planes": PLANES}
        return {
            "columns": columns,
            "rows": rows,
            **self.mounting.facts(ORIENTATION),
            "motion": self.motion,
            "timing": TIMING[self.motion],
            "pixel_mm": patterns.pixel_mm,
            "full_code": 2**self.bits - 1,
            "black_code": self.dark,
            "pixels_at_full_code": self.at_full_code(),
            "scale": SCALE,
            "irradiance_mw_cm2_at_full_code": patterns.irradiance_mw_cm2,
            "dwell_s": each_s,
            **(several if planes > 1 else {}),
            "seconds_per_turn": patterns.dwell_s * angles,
            "turns": patterns.turns,
            "turns_written": self.turns,
            "exposure_s": patterns.exposure_s,
            "scan_angle_at_start_deg": scan[0] - half,
            **self.facts,
            "frames": [
                {
                    **place((turn * angles + number) * planes + plane),
                    **({"turn": turn + 1} if self.turns > 1 else {}),
                    "scan_angle_deg": scan[number] + half * (2 * plane + 1 - planes) / planes,
                    "scan_angle_from_deg": scan[number] + half * (2 * plane / planes - 1),
                    "scan_angle_to_deg": scan[number] + half * (2 * (plane + 1) / planes - 1),
                    "starts_s": number * patterns.dwell_s + plane * each_s,
                }
                for turn in range(self.turns)
                for number in range(angles)
                for plane in range(planes)
            ],
        }

    def at_full_code(self) -> int:
        """Pixels of one turn that have the highest code: in all planes, where there are several."""
        full = self.planes if self.planes > 1 else 2**self.bits - 1
        return sum(int(np.count_nonzero(self.codes_of(levels.numpy()) == full)) for levels in self.patterns.levels)
