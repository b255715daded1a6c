"""The top of the page: the verdict, the figures that matter most, warnings."""

import math

from lightlathe.judge import outcome_of
from lightlathe.report.page.section import Section, figure_of, items, text
from lightlathe.result import Record
from lightlathe.support.words import amount

MARKS = {"prints": "✓", "marginal": "!", "does not print": "✕"}


def verdict_section(record: Record) -> Section:
    """What becomes of the print, in a line; why, where it does not simply print; the figures and the warnings."""
    outcome = outcome_of(record.quality)
    kind = outcome.level.replace(" ", "-")
    why = "; ".join(outcome.reasons) or "every voxel of the job's grid comes out right, with a margin"
    line = (
        f'<p class="verdict {kind}"><span class="sign" aria-hidden="true">{MARKS[outcome.level]}</span> '
        f"<span><strong>{text(outcome.level)}</strong>: {text(why)}</span></p>"
    )
    cards = "".join(_card(*card) for card in _cards(record))
    warned = items(record.warnings, "warnings")
    warned = f"<h3>Warnings</h3>{warned}" if warned else ""
    return Section("verdict", "Verdict", f'{line}<dl class="cards">{cards}</dl>{warned}')


def _card(head: str, shown: str, note: str) -> str:
    return f'<div><dt>{text(head)}</dt><dd class="big">{shown}</dd><dd>{note}</dd></div>'


def _cards(record: Record) -> list[tuple[str, str, str]]:
    """(head, HTML of the figure, HTML of a note) of each."""
    q, grid = record.quality, record.part.grid
    cards = []
    own, where = figure_of("iou", q["iou"], f"{q['iou']:.4f}"), f"on the job’s grid of {grid.voxel_mm:g} mm"
    if "iou_fine" in q:
        fine_mm = grid.voxel_mm / record.settings["grid"]["finer"]
        shown = figure_of("iou_fine", q["iou_fine"], f"{q['iou_fine']:.4f}")
        cards.append(("Agreement of 1, whole shape", shown, f"on the finer grid of {fine_mm:g} mm; {own} {where}"))
    else:
        cards.append(("Agreement of 1", own, where))
    fine = "_fine" if "iou_fine" in q else ""
    under, over = (q[f"{name}_cure_fraction{fine}"] for name in ("under", "over"))
    shares = [
        figure_of(f"{name}_cure_fraction{fine}", value, _percent(value, 2))
        for name, value in (("under", under), ("over", over))
    ]
    cards.append(("Under-cure / over-cure", " / ".join(shares), "of the part stays liquid / of the rest turns solid"))
    window = q["window_relative"]
    proven = q.get("window_proven_at_most", math.nan)
    note = "no bound is proven"
    if not math.isnan(proven):
        note = f"proven: none wider than {figure_of('window_proven_at_most', proven, _percent(proven))}"
    cards.append(("Process window", figure_of("window_relative", window, _percent(window)), note))
    cards.append(_exposure(q, record))
    return cards


def _exposure(q: dict[str, float], record: Record) -> tuple[str, str, str]:
    seconds = {"exposure_s": record.patterns.exposure_s, **q}["exposure_s"]
    shown = figure_of("exposure_s", seconds, amount(seconds, 4), "s")
    shorter, longer = q.get("shorter_percent", math.nan), q.get("longer_percent", math.nan)
    if math.isnan(shorter):
        return "Exposure", shown, "no exposure prints every voxel right"
    ends = figure_of("shorter_percent", shorter, f"{shorter:.1f}", "% shorter")
    if math.isinf(longer):
        return "Exposure", shown, f"right {ends}, and however much longer"
    return "Exposure", shown, f"right {ends} to {figure_of('longer_percent', longer, f'{longer:.1f}', '% longer')}"


def _percent(share: float, digits: int = 1) -> str:
    if math.isnan(share):
        return "none"
    if share < -10:
        return "far below 0"
    return f"{100 * share:.{digits}f} %"
