"""A folder of calibration frames, forms to fill in, and a page that says what to do with each."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.export.calibration_images import (
    LEAST,
    METER,
    Field,
    axis_line,
    focus_target,
    frame_lines,
    grey_ramp,
    handedness,
    meter_places,
    ruler,
    strips,
)
from lightlathe.support.watching import doing

PAGE = "README.md"
ALIGNMENT = "alignment.csv"


@doing("writing calibration frames")
def write_calibration(
    field: Field,
    folder: Path,
    *,
    bits: int,
    page: str,
    strip: tuple[int, int],
    native: Callable[[np.ndarray], np.ndarray] = np.ascontiguousarray,
) -> Path:
    """Write the frames of calibration_images.py, forms and the page into `folder`; returns the page's path.

    page     what to do with each frame
    strip    columns of the wide and of the narrow test print
    native   the frame (row, column) to show, for a picture as the vial has to see it
    Raises ResultError unless the folder is new or empty and can be written, and for a field of fewer than 24 pixels a
    side.
    """
    if min(field.columns, field.rows) < LEAST:
        raise ResultError(
            f"the field has {field.columns} x {field.rows} pixels; expected {LEAST} or more a side for calibration "
            "frames. Are these the projector's columns and rows?"
        )
    lines, _, _ = frame_lines(field)
    meter, _ = meter_places(field)
    tall = max(4, field.rows // 4)
    pictures = {
        "1_handedness": handedness(field),
        "2_axis_line": axis_line(field),
        "2_ruler": ruler(field),
        "3_size": lines,
        "4_focus": focus_target(field),
        **{f"5_ramp_{code:05d}": image for code, image in grey_ramp(field)},
        "6_white": np.full_like(field.empty, field.full),
        "6_meter_places": meter,
        "7_disc": strips(field, 0, (strip[0] - 1) / 2 + 0.25, tall),
        "7_narrow_disc": strips(field, 0, (strip[1] - 1) / 2 + 0.25, tall),
        "7_ring": strips(field, strip[0] / 2, strip[0] / 2 + max(2, strip[0] // 4), tall),
    }
    forms = {
        "response.csv": "code,light\n" + "".join(f"{code},\n" for code, _ in grey_ramp(field)),
        "flat_field.csv": f"{',' * (METER - 1)}\n" * METER,
        ALIGNMENT: (
            "row,column_at_0_deg,column_at_180_deg\n# one line for each height at which you looked; rows count from "
            "the top, columns from the left, both from 0\n"
        ),
    }
    depth = bool if bits == 1 else np.uint8 if bits <= 8 else np.uint16
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if found := next(folder.iterdir(), None):
            raise ResultError(f"{folder}: holds {found.name} already; expected an empty or new folder. Name another.")
        for name, image in pictures.items():
            Image.fromarray(native(image).astype(depth)).save(folder / f"{name}.png")
        for name, text in forms.items():
            (folder / name).write_text(text, encoding="utf-8")
        (folder / PAGE).write_text(page, encoding="utf-8")
    except (OSError, ValueError) as problem:  # ValueError: a path that no system takes
        raise ResultError(
            f"{folder}: cannot write frames there ({problem}); expected an empty or new folder with room on the disk."
        ) from None
    return folder / PAGE
