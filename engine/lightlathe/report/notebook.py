"""How a record shows itself in a notebook: the verdict, key figures, a small picture. All text is escaped."""

import base64
import io
import math
from collections.abc import Iterator
from html import escape

import numpy as np

from lightlathe.judge import outcome_of
from lightlathe.report.notes import resin_words
from lightlathe.report.pictures import cut, fullest_slice, outcome_in, outcome_volumes
from lightlathe.result import Record
from lightlathe.support.colours import MEANINGS, OUTCOMES
from lightlathe.support.words import amount, count, duration

INCHES, DPI = (6.0, 2.6), 80


def html_of(record: Record) -> str:
    """A fragment of HTML that needs nothing from elsewhere; the picture is left out where matplotlib is missing."""
    outcome = outcome_of(record.quality)
    rows = "".join(
        f'<tr><th style="text-align:left">{escape(name)}</th><td style="text-align:left">{escape(value)}</td></tr>'
        for name, value in _rows(record)
    )
    said = "".join(f"<li>{escape(text)}</li>" for text in (*outcome.reasons, *record.warnings))
    return (
        f"<div><p><b>{escape(record.name)}: {escape(outcome.level)}</b></p><table>{rows}</table>"
        f"{f'<ul>{said}</ul>' if said else ''}{_picture(record)}</div>"
    )


def _rows(record: Record) -> Iterator[tuple[str, str]]:
    """(name, value) of each line."""
    q, grid, patterns = record.quality, record.part.grid, record.patterns
    yield "voxels", f"{' x '.join(map(str, grid.shape))} of {grid.voxel_mm:g} mm"
    if "iou_fine" in q:
        yield "overlap with the true shape, finer grid", _number(q["iou_fine"])
    yield "overlap, own grid", f"{_number(q['iou'])}, {count(int(q['wrong_voxels']), 'wrong voxel')}"
    yield "process window", f"{100 * q['window_relative']:.1f} %" if q["window_relative"] > 0 else "none"
    if "window_proven_at_most" in q:
        yield "no patterns reach more than", f"{100 * q['window_proven_at_most']:.1f} % (proven)"
    yield (
        "exposure",
        f"{duration(patterns.exposure_s)}, {count(patterns.turns, 'turn')} of {len(patterns.angle_rad)} images",
    )
    if all(math.isfinite(q.get(name, math.nan)) for name in ("shortest_s", "longest_s")):
        yield "right from", f"{amount(q['shortest_s'], 4)} to {amount(q['longest_s'], 4)} s"
    resin = record.settings.get("resin")
    if isinstance(resin, dict) and resin_words(resin):
        yield "resin", resin_words(resin)
    notes = record.settings.get("notes")
    for name, text in (notes if isinstance(notes, dict) else {}).items():
        yield str(name), str(text)


def _number(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.4f}"


def _picture(record: Record) -> str:
    """The middle slices of the prediction as an image of the page itself; nothing without matplotlib."""
    try:
        from matplotlib.colors import ListedColormap
        from matplotlib.figure import Figure
        from matplotlib.patches import Patch
    except ImportError:
        return ""
    part = record.part
    judged, solid, times = outcome_volumes(part, record.prediction, record.fine)
    half = [length / 2 for length in part.grid.extent_mm]
    cuts = [
        (
            outcome_in(cut(judged, axis, n), cut(solid, axis, n)),
            (-half[0], half[0], -half[up], half[up]),
            f"{name} / mm",
        )
        for axis, up, name, n in (
            (2, 1, "y", fullest_slice(part) * times + times // 2),
            (1, 2, "z", part.grid.shape[1] // 2 * times + times // 2),
        )
    ]
    figure = Figure(figsize=INCHES, layout="constrained")
    colours = ListedColormap(OUTCOMES)
    for panel, (outcome, extent, up) in zip(figure.subplots(1, 2), cuts, strict=True):
        panel.imshow(outcome, cmap=colours, vmin=-0.5, vmax=4.5, origin="lower", extent=extent, interpolation="nearest")
        panel.set_xlabel("x / mm")
        panel.set_ylabel(up)
    seen = np.unique(np.concatenate([outcome.ravel() for outcome, *_ in cuts]))
    marks = [Patch(facecolor=OUTCOMES[n], edgecolor="grey", label=MEANINGS[n]) for n in seen if n > 0]
    figure.legend(handles=marks, loc="outside lower center", ncols=4, fontsize="small")
    drawn = io.BytesIO()
    figure.savefig(drawn, format="png", dpi=DPI)
    data = base64.b64encode(drawn.getvalue()).decode()
    return f'<img alt="Predicted print: slices across and along the axis" src="data:image/png;base64,{data}">'
