"""Line charts as plain values, which `assets/charts.js` hands to Plotly.

Roles name colours of the style sheet: part, around, over, under, plan, bound, first, second, ...; lines differ by dash
too, so that they can be told apart without colour.
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

ROLES = ("first", "second", "third", "fourth", "fifth", "sixth")  # of several results or runs
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")


def line(name: str, x: Any, y: Any, role: str, dash: str = "solid", *, points: bool = False) -> dict[str, Any]:
    """A line through (x, y), numbers; NaN and infinity leave a gap. `points`: markers in place of the line."""
    return {"name": name, "x": values(x), "y": values(y), "role": role, "dash": dash, "points": points}


def mark(name: str, at: float, role: str, dash: str = "solid") -> dict[str, Any]:
    """A straight line across the chart, upright in `marks`, level in `levels`."""
    return {"name": name, "at": float(at), "role": role, "dash": dash}


def band(name: str, low: float, high: float, role: str) -> dict[str, Any]:
    """A range of the horizontal axis."""
    return {"name": name, "low": float(low), "high": float(high), "role": role}


def chart(
    x: str,
    y: str,
    lines: Sequence[dict[str, Any]],
    *,
    marks: Sequence[dict[str, Any]] = (),
    levels: Sequence[dict[str, Any]] = (),
    bands: Sequence[dict[str, Any]] = (),
    x_range: tuple[float, float] | None = None,
    y_range: tuple[float, float] | None = None,
    y_log: bool = False,
) -> dict[str, Any]:
    """A chart; x and y are the axes' titles with their units."""
    known = {
        "marks": [m for m in marks if math.isfinite(m["at"])],
        "levels": [m for m in levels if math.isfinite(m["at"])],
        "bands": [b for b in bands if math.isfinite(b["low"]) and math.isfinite(b["high"])],
    }
    ranges = {"x_range": x_range and list(x_range), "y_range": y_range and list(y_range), "y_log": y_log}
    return {"x": x, "y": y, "lines": list(lines), **known, **ranges}


def values(numbers: Any) -> list[float | None]:
    """Plain numbers to six digits, as many as a chart can show; None for what is no finite number."""
    found = np.asarray(numbers, float).tolist()
    return [float(f"{value:.6g}") if math.isfinite(value) else None for value in found]
