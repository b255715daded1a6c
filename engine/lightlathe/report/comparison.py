"""A print under other assumptions beside the print as designed, as a table for practitioners."""

import math

from lightlathe.quantities import Prediction
from lightlathe.report.advice import FAR_BELOW
from lightlathe.report.summary import less_band
from lightlathe.report.surfaces import surface_rows
from lightlathe.result import Record
from lightlathe.support.words import amount, count


def comparison(record: Record, other: Prediction, assumed: str) -> str:
    """The figures of a record beside those of the same patterns under other assumptions."""
    less = " less the band" if "iou_whole" in other.quality else ""
    rows = {
        "overlap, finer grid": "iou_fine",
        "stays liquid there": "under_cure_fraction_fine",
        "turns solid there": "over_cure_fraction_fine",
        "overlap, finer grid less the band": "iou_fine_judged",
        "overlap, own grid, whole shape": "iou_whole",
        f"overlap, own grid{less}": "iou",
        f"part that stays liquid{less}": "under_cure_fraction",
        f"rest that turns solid{less}": "over_cure_fraction",
        f"window{less}": "window_relative",
        f"most dose outside{less}, mJ/cm3": "window_low_mj_cm3",
        f"least dose in the part{less}, mJ/cm3": "window_high_mj_cm3",
        **surface_rows(other.quality),
        "exposure may be shorter by, %": "shorter_percent",
        "exposure may be longer by, %": "longer_percent",
    }
    wrong = int(other.quality["wrong_voxels"])
    said = f"every voxel of the job's own grid{less_band(record)} comes out right"
    said = said if wrong == 0 else f"NOT right, {count(wrong, 'voxel')} wrong{less_band(record)}"
    cells = [("", "as designed", "now")]
    for words, name in rows.items():
        if name in other.quality:
            cells.append((words, _cell(record.quality.get(name, math.nan), name), _cell(other.quality[name], name)))
    widths = [max(len(row[k]) for row in cells) for k in range(3)]
    lines = [f"{assumed}: {said}", *(f"{a:{widths[0]}}  {b:>{widths[1]}}  {c:>{widths[2]}}" for a, b, c in cells)]
    if record.fine is None and record.settings["grid"]["finer"] > 1:
        lines.append("this file does not hold the finer grid, so nothing is judged there: design again to have it")
    return "\n".join(lines)


def _cell(value: float, name: str) -> str:
    """A figure in a column: up to four decimals; - where there is none."""
    if name.endswith("_percent"):
        return "-" if math.isnan(value) else "however much" if math.isinf(value) else f"{value:.1f}"
    if math.isnan(value):
        return "-"
    if value < FAR_BELOW:
        return "far below 0"  # a window: no other figure is below 0
    return amount(value, 5) if not abs(value) < 10 else f"{value:.4f}"
