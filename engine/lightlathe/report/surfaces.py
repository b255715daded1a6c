"""The line of the summary on how far the surface of the print lies from the part's."""

import math

from lightlathe.result import Record
from lightlathe.support.words import amount

EVEN = 0.1  # a bias of less than this share of the mean distance is none
ROWS = {"surface, mean distance, mm": "mean", "surface, 95 % within, mm": "95", "surface, largest, mm": "max"}


def surface_lines(record: Record) -> list[str]:
    """One line; none for results from before there were such figures."""
    q = record.quality
    suffix = "_fine" if "surface_mean_mm_fine" in q else ""
    if f"surface_mean_mm{suffix}" not in q:
        return []
    mean, most, largest, x, y, z, bias, missing = (
        q[f"surface_{name}_mm{suffix}"]
        for name in ("mean", "95", "max", "max_x", "max_y", "max_z", "bias", "part_to_print_max")
    )
    if not math.isfinite(mean):
        return ["  surface     nothing to compare: no surface is predicted, or none is judged"]
    what = " from the part's" if record.wanted is not None else " from that of the part's voxels"
    gone = ", where the print leaves out something of the part" if missing > 1.5 * record.part.grid.voxel_mm else ""
    where = f"({x:.2f}, {y:.2f}, {z:.2f}) mm{gone if missing == largest else ''}"
    side = f"{amount(abs(bias))} mm too {'fat' if bias > 0 else 'thin'}"
    if abs(bias) < EVEN * mean:
        side = "neither too fat nor too thin"
    return [
        f"  surface     {amount(mean)} mm{what} on average, 95 % within {amount(most)} mm, at most {amount(largest)} mm"
        f" at {where}; {side} on average"
    ]


def surface_rows(quality: dict[str, float]) -> dict[str, str]:
    """Rows of a comparison: words, and names of figures."""
    suffix = "_fine" if "surface_mean_mm_fine" in quality else ""
    return {words: f"surface_{name}_mm{suffix}" for words, name in ROWS.items()}
