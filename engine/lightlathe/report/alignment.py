"""What an alignment means for a job, in words."""

import math
from typing import Any

from lightlathe.job.light import Light
from lightlathe.projector.alignment import Alignment
from lightlathe.quantities.tilt import MOST_DEG
from lightlathe.support.plain import finite
from lightlathe.support.words import amount

SURE = 0.5  # columns: heights that scatter by more do not lie on a line (common practice, no source)


def as_json(found: Alignment, light: Light) -> dict[str, Any]:
    """The numbers, None where there is none."""
    return finite({
        "axis_offset_pixels": found.middle_column - (light.columns - 1) / 2,
        "axis_tilt_deg": found.tilt_deg,
        "shift_over_the_field_columns": found.columns_per_row * (light.rows - 1),
        "scatter_columns": found.scatter,
    })  # fmt: skip


def text(found: Alignment, light: Light) -> str:
    """Keys for [light], and what they do not cover."""
    offset = found.middle_column - (light.columns - 1) / 2
    side = "right" if offset > 0 else "left"
    lines = [
        f"axis_offset_pixels = {offset:.2f}    # in [light]: the axis lies {abs(offset):.2f} columns "
        f"({amount(abs(offset) * light.pixel_mm, 3)} mm) {side} of the field's middle",
    ]
    if math.isnan(found.columns_per_row):
        return "\n".join([*lines, "tilt: not known from one height; look at two or more, far apart."])
    shift = abs(found.columns_per_row) * (light.rows - 1)
    leans = "right" if found.tilt_deg > 0 else "left"
    words = f"it leans to the {leans} towards the top, {shift:.2f} columns over the field's height"
    if abs(found.tilt_deg) > MOST_DEG:
        lines.append(
            f"tilt: {found.tilt_deg:.3f} degrees; {words}. axis_tilt_deg takes {MOST_DEG:g} at most: straighten the "
            "stage or the projector, or turn the picture with rotate_deg."
        )
    else:
        lines.append(f"axis_tilt_deg = {found.tilt_deg:.3f}    # in [light]: {words}")
    lines.append("The design allows for both. A tilt towards the projector is not seen by the needle: level the stage.")
    if found.scatter > SURE:
        lines.append(f"one height lies {found.scatter:.1f} columns from the line through all: measure again.")
    return "\n".join(lines)
