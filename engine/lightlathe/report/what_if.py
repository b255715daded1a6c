"""The table of what unstated assumptions may cost."""

import math
from collections.abc import Sequence

from lightlathe.flow.what_if import WhatIf
from lightlathe.result import Record
from lightlathe.support.words import count

HEADS = ("if", "wrong voxels", "window", "overlap, job's voxels", "overlap, finer grid")


def table(record: Record, found: Sequence[WhatIf]) -> str:
    """The cases under the print as designed, most wrong voxels first, then the narrowest window; all at the planned
    exposure."""
    rows = [HEADS, ("as designed", *_figures(record.quality))]
    rows += [(case.words, *_figures(case.print.quality)) for case in found if case.print is not None]
    widths = [max(len(row[k]) for row in rows) for k in range(len(HEADS))]
    lines = ["  ".join([row[0].ljust(widths[0]), *map(str.rjust, row[1:], widths[1:])]) for row in rows]
    lines += [f"not computed, if {case.words}: {case.why_not}" for case in found if case.print is None]
    lines.append(
        f"{count(len(rows) - 2, 'case')}, most wrong voxels on the job's grid first, then the narrowest window; the "
        "patterns as they are: what the job does not state, what is never known "
        "exactly, and the other way to turn. State in the job what is true of your machine, and design again: a design "
        "that knows of it loses little to most of this."
    )
    return "\n".join(lines)


def _figures(quality: dict[str, float]) -> tuple[str, ...]:
    window = quality["window_relative"]
    return (
        f"{quality['wrong_voxels']:.0f}",
        f"{100 * window:.1f} %" if window > 0 else "none",
        _number(quality["iou"]),
        _number(quality.get("iou_fine", math.nan)),
    )


def _number(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.4f}"
