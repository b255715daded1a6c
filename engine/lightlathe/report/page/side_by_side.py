"""The page of several results: their figures, the settings that differ, slices and differences, curves together."""

import math
import string
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from lightlathe.errors import ResultError
from lightlathe.judge import CAUTIONS
from lightlathe.report.page.chart import DASHES, ROLES, chart, line, mark
from lightlathe.report.page.controls import slices_view
from lightlathe.report.page.convergence import LOWEST, thinned_words
from lightlathe.report.page.document import document
from lightlathe.report.page.extract import Extract, extract
from lightlathe.report.page.section import Section, charts, folded, items, number, paragraph, table, text
from lightlathe.report.page.settings import differing, marked, unit_cell, word
from lightlathe.report.page.verdict import MARKS, RIGHT
from lightlathe.report.page.volumes import dose_top, step_words
from lightlathe.result import Record
from lightlathe.result.listing import listing
from lightlathe.support.watching import doing

MOST = len(ROLES)  # results on one page
SHARES = ("_fraction", "_fraction_fine", "window_relative", "window_proven_at_most")  # shown in percent in it
FIRST = (  # figures of the first table, in words
    ("iou_fine", "overlap with the part (1 is perfect), true shape, finer grid"),
    ("iou", "overlap, job’s grid"),
    ("under_cure_fraction_fine", "part that stays liquid, finer grid"),
    ("over_cure_fraction_fine", "rest that turns solid, finer grid"),
    ("surface_mean_mm_fine", "surface off by, on average"),
    ("surface_max_mm_fine", "surface off by, at most"),
    ("wrong_voxels", "wrong voxels, job’s grid"),
    ("window_relative", "process window"),
    ("window_proven_at_most", "window proven at most"),
    ("window_low_mj_cm3", "most dose outside"),
    ("window_high_mj_cm3", "least dose in the part"),
    ("exposure_s", "exposure"),
    ("shorter_percent", "may be shorter by"),
    ("longer_percent", "may be longer by"),
    ("wasted_light_fraction", "light not absorbed in the part"),
)


@doing("writing the report")
def page_of_several(records: Iterable[Record], results: Sequence[Path | None]) -> str:
    """The HTML page of two to MOST results, the first of which the others are held against.

    records   taken one by one: none is kept, so only one result's volumes are in memory at a time
    """
    several = len(results)
    if not 2 <= several <= MOST:
        raise ResultError(f"{several} results were named; expected two to {MOST} side by side.")
    ones: list[Extract] = []
    for record in records:
        letter, path = string.ascii_uppercase[len(ones)], results[len(ones)]
        file = record.name if path is None else path.name
        listed = None if path is None else listing(path)
        ones.append(extract(record, f"{letter} {record.name}", file, listed, 1 / several))
        del record
    title = " | ".join(one.label for one in ones)
    return document(f"{title}: side by side", title, sections(ones))


def sections(ones: Sequence[Extract]) -> list[Section]:
    """Every section, in the order of the page."""
    return [
        verdicts(ones),
        settings_that_differ(ones),
        slices(ones),
        together(ones),
        convergence(ones),
        sentences(ones),
        figures(ones),
        jobs(ones),
    ]


def verdicts(ones: Sequence[Extract]) -> Section:
    lines = "".join(
        f'<p class="verdict {one.outcome.level.replace(" ", "-")}"><span class="sign" aria-hidden="true">'
        f"{MARKS[one.outcome.level]}</span><span><strong>{text(one.label)}</strong> ({text(one.file)}): "
        f"<strong>{text(one.outcome.level)}</strong>: {text('; '.join(one.outcome.reasons) or RIGHT)}</span></p>"
        for one in ones
    )
    rows = [_row(ones, name, words) for name, words in FIRST if any(name in one.quality for one in ones)]
    return Section("verdict", "Verdicts", lines + table(_heads(ones), rows, "Figures side by side", "figures"))


def figures(ones: Sequence[Extract]) -> Section:
    names = sorted({name for one in ones for name in one.quality})
    rows = [_row(ones, name, name) for name in names]
    return Section("figures", "All figures", folded(f"{len(rows)} figures", table(_heads(ones), rows, kind="figures")))


def _heads(ones: Sequence[Extract]) -> list[str]:
    return ["figure", *(one.label for one in ones), *(["B − A"] if len(ones) == 2 else []), "unit"]


def _row(ones: Sequence[Extract], name: str, words: str) -> list[str]:
    """A figure of every result; of two, the difference too."""
    values = [one.quality.get(name, math.nan) for one in ones]
    times = 100.0 if words != name and name.endswith(SHARES) else 1.0
    cells = [
        f'<data data-figure="{text(name)}" data-result="{n}" value="{float(value)!r}">'
        f"{text(number(times * value, 5))}</data>"
        if name in ones[n].quality
        else "–"
        for n, value in enumerate(values)
    ]
    if len(ones) == 2:
        change = times * (values[1] - values[0])
        cells.append("–" if math.isnan(change) else text(f"{'+' if change > 0 else ''}{number(change, 4)}"))
    return [
        text(words) if words != name else f"<code>{text(name)}</code>",
        *cells,
        "%" if times > 1 else unit_cell(name),
    ]


def settings_that_differ(ones: Sequence[Extract]) -> Section:
    found = differing([one.settings for one in ones])
    if not found:
        return Section("settings", "Settings that differ", paragraph("None: all settings are the same."))
    rows = [
        (
            f"<code>{text(key)}</code>",
            *(text(word(value)) + marked(key, one.assumed_keys) for one, value in zip(ones, values, strict=True)),
            unit_cell(key),
        )
        for key, values in found
    ]
    heads = ["setting", *(one.label for one in ones), "unit"]
    return Section("settings", "Settings that differ", table(heads, rows, kind="settings"))


def slices(ones: Sequence[Extract]) -> Section:
    first = ones[0]
    data = {
        "sets": [one.volumes for one in ones],
        "places": [{"words": f"{one.label}: {p.words}", "at_mm": p.at_mm} for one in ones for p in one.places],
        "half_mm": [max(halves) for halves in zip(*(one.half_mm for one in ones), strict=True)],
        "doses": first.doses_mj_cm3,
        "dose_top": max(dose_top(one.volumes["dose_max"], one.doses_mj_cm3["gel dose"]) for one in ones),
        "grid": "own",
    }
    body = slices_view("slices", data, second=True)
    said = ["Doses and cured voxels are those of the jobs' own grids."]
    said += [f"{one.label}: {words}" for one in ones if (words := step_words(one.volumes["own"]))]
    if any(one.volumes["own"]["shape"] != first.volumes["own"]["shape"] for one in ones):
        said.append(
            "Grids differ: differences are taken at the middle of each voxel of the first, to the nearest voxel."
        )
    said.append("Thresholds are those of the first.")
    return Section("slices", "Slices and differences", body + paragraph(*said, kind="note"), {"slices": data})


def together(ones: Sequence[Extract]) -> Section:
    body = charts(
        ("dose_volume", "Dose-volume curves: solid, the part; dashed, its surroundings."),
        ("overlap", "Overlap of print and part against exposure time; upright lines: as planned."),
        ("wrong", "Volume that comes out wrong against exposure time."),
        ("slice_window", "The window that each slice has by itself, along the axis."),
    )
    curves = [
        line(f"{one.label}, {name}", x, y, role, "solid" if name == "part" else "dash")
        for one, role in zip(ones, ROLES, strict=False)
        for name, x, y in one.curves
    ]
    planned = [
        mark(f"{one.label}, planned", one.exposure_s, role, "dot") for one, role in zip(ones, ROLES, strict=False)
    ]
    along = [(one, role, dash) for one, role, dash in zip(ones, ROLES, DASHES, strict=False)]
    overlap = [line(o.label, o.exposures["seconds"], 100 * o.exposures["overlap"], r, d) for o, r, d in along]
    wrong = [line(o.label, o.exposures["seconds"], o.exposures["wrong_mm3"], r, d) for o, r, d in along]
    window = [line(o.label, o.z_mm, 100 * o.window, r, d) for o, r, d in along]
    tops = [v for w in window for v in w["y"] if v is not None]
    found = {
        "dose_volume": chart("dose / mJ cm⁻³", "share of voxels / %", curves, y_range=(0, 101)),
        "overlap": chart("exposure / s", "overlap of print and part / %", overlap, marks=planned),
        "wrong": chart("exposure / s", "wrong volume / mm³", wrong, marks=planned),
        "slice_window": chart(
            "z / mm", "window of the slice / %", window,
            y_range=(max(-50.0, min([*tops, 0.0]) - 3), max([*tops, 10.0]) + 5),
        ),
    }  # fmt: skip
    return Section("curves", "Curves together", body, found)


def convergence(ones: Sequence[Extract]) -> Section:
    body = charts(
        ("by_iteration", "Window by iteration; level lines: what no patterns can pass, where that is proven."),
        ("by_time", "Window by time."),
    )
    found, top = {}, 5.0
    levels = [
        mark(f"{one.label}, proven", 100 * one.bound, role, "longdash") for one, role in zip(ones, ROLES, strict=False)
    ]
    for one in ones:
        windows = 100 * np.asarray([*one.log.get("window_relative", []), one.bound], float)
        top = max(top, float(np.max(windows, where=np.isfinite(windows), initial=top)))
    for name, x, column in (("by_iteration", "iteration", "iteration"), ("by_time", "time / s", "seconds")):
        lines = [
            line(one.label, one.log[column], 100 * np.asarray(one.log["window_relative"]), role, dash)
            for one, role, dash in zip(ones, ROLES, DASHES, strict=False)
            if {column, "window_relative"} <= set(one.log)
        ]
        found[name] = chart(x, "window / %", lines, levels=levels, y_range=(LOWEST, top + 4))
    said = [f"{one.label}: {thinned_words(one.log_step)}" for one in ones if one.log_step > 1]
    body += paragraph(f"Windows below {LOWEST:g} % lie outside.", *said, kind="note")
    return Section("convergence", "Convergence", body, found)


def sentences(ones: Sequence[Extract]) -> Section:
    body = ""
    for one in ones:
        body += f"<h3>{text(one.label)}</h3>" + items(one.exposure) + items(one.warnings, "warnings")
    shared = [said for said in ones[0].assumptions if all(said in one.assumptions for one in ones)]
    body += f"<h3>Assumptions of all</h3>{items(shared)}" if shared else ""
    for one in ones:
        own = [said for said in one.assumptions if said not in shared]
        body += f"<h3>Assumptions of {text(one.label)} alone</h3>{items(own)}" if own else ""
    body += f"<h3>Cautions</h3>{items(CAUTIONS, 'cautions')}"
    return Section("plans", "Exposure, warnings, assumptions", body)


def jobs(ones: Sequence[Extract]) -> Section:
    body = "".join(folded(f"{one.label}: job file", f'<pre tabindex="0">{text(one.job_toml)}</pre>') for one in ones)
    rows = [
        (
            text(one.label),
            text(one.file),
            f"<code>{text(one.listed.sha256)}</code>",
            text(one.facts.get("created_utc", "")),
        )
        for one in ones
        if one.listed is not None
    ]
    body += table(("result", "file", "SHA-256", "made"), rows, "Files", "settings") if rows else ""
    return Section("jobs", "Jobs and files", body)
