"""The page of a study: the ranking, every run's figures, how they converged, the settings, what ran where."""

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from lightlathe.report.page.chart import DASHES, ROLES, chart, line, mark
from lightlathe.report.page.convergence import LOWEST, thinned, thinned_words
from lightlathe.report.page.document import document, write_page
from lightlathe.report.page.section import Section, charts, folded, number, paragraph, table, text
from lightlathe.report.page.settings import differing, flat, unit_cell, word
from lightlathe.study.ranking import Line, effects, label, ranking
from lightlathe.study.runs import Run, Study
from lightlathe.study.table import COLUMNS, LEGEND

POINTS = 30_000  # of all runs of a job in one chart


def write_study_page(study: Study, path: Path, rank_by: str | None = None) -> Path:
    """Write the page of a study; returns its path. Raises ResultError where it cannot."""
    rank_by = rank_by or study.rank_by
    lines = ranking(study, rank_by)
    jobs = list(dict.fromkeys(run.job for run in study.runs))
    sections = [_about(study, rank_by)]
    for n, job in enumerate(jobs):
        runs = [run for run in study.runs if run.job == job]
        sections.append(_job(n, job, [line for line in lines if line.job == job], runs, rank_by))
    sections += [_runs(study), _settings(study), _plan(study)]
    return write_page(document(f"{study.name}: study", study.name, sections), path)


def _about(study: Study, rank_by: str) -> Section:
    failed = sum(run.failed for run in study.runs)
    said = f"{len(study.runs)} runs, ranked by {rank_by}."
    said += f" {failed} of them failed; why, stands in the table of runs." if failed else ""
    return Section("about", "Study", paragraph(said))


def _job(n: int, job: str, lines: Sequence[Line], runs: Sequence[Run], rank_by: str) -> Section:
    """The ranking of one job's variants and how they converged."""
    columns = sorted(COLUMNS, key=lambda column: column[1] != rank_by)
    ranks = [one.rank for one in lines]
    rows = [
        (
            text(f"{one.rank}{'=' if ranks.count(one.rank) > 1 else ''}  {one.name}"),
            *(text(_shown(one.figures.get(figure, math.nan), form)) for _, figure, form in columns),
            text(_shown(one.spread, columns[0][2])),
            text(one.failed or ""),
        )
        for one in lines
    ]
    heads = ["rank and variant", *(head for head, _, _ in columns), "spread", "failed"]
    body = table(heads, rows, f"Ranking on {job}", "figures") + folded(
        "What the columns say", f"<pre>{text(LEGEND)}</pre>"
    )
    for effect in effects(list(lines), rank_by):
        body += paragraph(
            f"Another {effect.key}, all else the same, moves {rank_by} by {number(effect.median, 3)} (median), "
            f"{number(effect.largest, 3)} (largest)."
        )
    body += charts(
        (f"window_{n}", "Window of the best design so far by iteration, first run of each variant."),
        (f"window_time_{n}", "The same by time."),
        (f"wrong_{n}", "Wrong voxels of the best design so far, logarithmic; a line ends where none is wrong."),
    )
    body += paragraph(thinned_words(_shown_runs(runs)[1]), kind="note")
    return Section(f"job-{n}", job, body, _charts(n, runs))


def _shown_runs(runs: Sequence[Run]) -> tuple[list[Run], int]:
    """The first run of each variant that gave a design, long logs thinned; and by how much at most."""
    found = [run for run in runs if run.repeat == 0 and not run.failed and run.log.get("best_window")]
    logs = [thinned(run.log, max(100, POINTS // len(found))) for run in found]
    return [replace(run, log=log) for run, (log, _) in zip(found, logs, strict=True)], max(
        (n for _, n in logs), default=1
    )


def _charts(n: int, runs: Sequence[Run]) -> dict[str, Any]:
    shown, _ = _shown_runs(runs)
    looks = [(run, ROLES[k % len(ROLES)], DASHES[(k + k // len(ROLES)) % len(DASHES)]) for k, run in enumerate(shown)]
    bounds = {run.figures.get("window_proven_at_most", math.nan) for run in shown}
    bound = 100 * bounds.pop() if len(bounds) == 1 else math.nan
    windows = np.array([w for run in shown for w in run.log["best_window"]] + [bound / 100, 0.05], float)
    top = 100 * float(np.max(windows, where=np.isfinite(windows), initial=0.0)) + 4

    def lines(x: str, y: str, times: float = 1) -> list[dict[str, Any]]:
        return [
            line(
                label(run.variant),
                run.log[x],
                [v * times if v or y != "best_wrong" else math.nan for v in run.log[y]],
                r,
                d,
            )
            for run, r, d in looks
        ]

    proven = [mark("proven: none above", bound, "bound", "dash")]
    low = max(LOWEST, 100 * float(np.min(windows, where=np.isfinite(windows), initial=0.0)) - 4)
    kept = {"levels": proven, "y_range": (low, top)}
    return {
        f"window_{n}": chart("iteration", "window / %", lines("iteration", "best_window", 100), **kept),
        f"window_time_{n}": chart("time / s", "window / %", lines("seconds", "best_window", 100), **kept),
        f"wrong_{n}": chart("iteration", "wrong voxels", lines("iteration", "best_wrong"), y_log=True),
    }


def _runs(study: Study) -> Section:
    """Every run with every figure."""
    names = sorted({name for run in study.runs for name in run.figures})
    parts = []
    for number_, run in enumerate(study.runs):
        rows = [
            (
                f"<code>{text(name)}</code>",
                f'<data data-figure="{text(name)}" data-run="{number_:04d}" value="{float(run.figures[name])!r}">'
                f"{text(number(run.figures[name]))}</data>",
                unit_cell(name),
            )
            for name in names
            if name in run.figures
        ]
        facts = [(f"<code>{text(key)}</code>", text(word(value)), "") for key, value in flat(run.facts)]
        title = f"{run.job}: {label(run.variant)}" + (f", repeat {run.repeat}" if run.repeat else "")
        title += f" (failed: {run.facts['failed']})" if run.failed else ""
        parts.append(folded(title, table(("figure", "value", "unit"), [*rows, *facts], kind="settings")))
    return Section("runs", "Runs", "".join(parts))


def _settings(study: Study) -> Section:
    found = differing([run.settings for run in study.runs]) if study.runs else []
    rows = [
        (
            f"<code>{text(key)}</code>",
            text("; ".join(dict.fromkeys(word(value) for value in values))),
            unit_cell(key),
        )
        for key, values in found
    ]
    body = table(("setting", "values", "unit"), rows, kind="settings") if rows else paragraph("All runs have the same.")
    return Section("settings", "Settings that differ between runs", body)


def _plan(study: Study) -> Section:
    plan = json.dumps(json.loads(study.plan), indent=1, ensure_ascii=False)
    return Section("plan", "Plan", f'<pre tabindex="0" aria-label="plan">{text(plan)}</pre>')


def _shown(value: float, form: str) -> str:
    return "–" if math.isnan(value) else form.format(value)
