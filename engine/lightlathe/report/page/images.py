"""The frames of a page: some of the images, and the sinograms of some rows, as bytes of the highest level."""

import math
from typing import Any

import numpy as np

from lightlathe.quantities import Patterns
from lightlathe.report.page.packing import finest, packed
from lightlathe.support.watching import doing

ROOM = {"images": 800_000, "sinograms": 600_000}  # characters
MOST = 6_000_000  # values of each


@doing("frames for the page")
def images(patterns: Patterns, share: float = 1.0) -> dict[str, Any]:
    """Some of the images in full, and some of the rows at every angle that fits; which, is said.

    Levels are taken from images, columns and rows at even steps, never mixed.
    """
    levels, field = patterns.levels.cpu().numpy(), patterns.field
    angles, columns, rows = levels.shape
    few = max(1, math.ceil(angles * columns * rows / MOST))

    def of_images(step: int) -> dict[str, Any]:
        across = max(1, round(math.sqrt(step / few) / 4))
        return {"levels": packed(_bytes(levels[::step, ::across, ::across], patterns.full_scale)), "across": across}

    def of_rows(step: int) -> dict[str, Any]:
        turn = max(1, math.ceil(angles / 1440))
        across = max(1, columns // 1024)
        return {
            "levels": packed(_bytes(levels[::turn, ::across, ::step], patterns.full_scale)),
            "across": across,
            "turn": turn,
        }

    per_image = int(MOST / max(1, columns * rows))
    image_step, shown = finest((angles,), of_images, most=max(1, per_image), room=int(ROOM["images"] * share))
    per_row = int(MOST / max(1, min(angles, 1440) * min(columns, 1024)))
    row_step, sinograms = finest((rows,), of_rows, most=max(1, per_row), room=int(ROOM["sinograms"] * share))
    return {
        "images": {"step": image_step, **shown},
        "sinograms": {"step": row_step, **sinograms},
        "angle_deg": [round(math.degrees(a), 6) for a in patterns.angle_rad.tolist()],
        "shape": [angles, columns, rows],
        "first": [field.first_column, field.first_row],
        "field": [field.columns, field.rows],
        "full_scale": patterns.full_scale,
    }


def shown_words(found: dict[str, Any]) -> list[str]:
    """Which images, rows and pixels are left out, in sentences."""
    said, (angles, _, rows) = [], found["shape"]
    images, sinograms = found["images"], found["sinograms"]
    if images["step"] > 1:
        said.append(f"Of {angles} images, number 0 and every {_th(images['step'])} after it are shown.")
    if images["across"] > 1:
        said.append(f"Of their pixels every {_th(images['across'])}, across and up, is shown.")
    if sinograms["step"] > 1:
        said.append(f"Of {rows} lit rows every {_th(sinograms['step'])} has its sinogram here.")
    if sinograms["turn"] > 1 or sinograms["across"] > 1:
        said.append(f"Sinograms show every {_th(sinograms['turn'])} image and every {_th(sinograms['across'])} column.")
    lit, field = found["shape"][1:], found["field"]
    if lit != field:
        said.append(
            f"Shown are the {lit[0]} x {lit[1]} pixels that can be lit, from column {found['first'][0]} and row "
            f"{found['first'][1]} on (counted from 0, rows from below); the rest of {field[0]} x {field[1]} stays dark."
        )
    return said


def _bytes(levels: np.ndarray, full_scale: int) -> np.ndarray:
    """Levels as uint8: as they are, or 255 for the highest where there are more."""
    if full_scale <= 255:
        return levels.astype(np.uint8)
    return np.rint(levels * (255 / full_scale)).astype(np.uint8)


def _th(number: int) -> str:
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return "" if number == 1 else f"{number}{ending}"
