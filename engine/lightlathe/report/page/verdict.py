"""The top of the page: the verdict, the figures that matter most, warnings."""

import math

from lightlathe.judge import outcome_of
from lightlathe.judge.outcome import AGREES, MARGIN_PERCENT
from lightlathe.report.page.section import Section, figure_of, folded, items, text
from lightlathe.result import Record
from lightlathe.support.words import amount

RIGHT = (  # what `prints` asks for, judge/outcome.py
    "every voxel of the job’s grid comes out right, an exposure that is off by "
    f"{MARGIN_PERCENT:g} % still prints it, and print and true shape overlap by {100 * AGREES:g} % or more"
)
MARKS = {"prints": "✓", "marginal": "!", "does not print": "✕"}


def verdict_section(record: Record) -> Section:
    """What becomes of the print, in a line; why, where it does not simply print; the figures and the warnings."""
    outcome = outcome_of(record.quality)
    kind = outcome.level.replace(" ", "-")
    why = "; ".join(outcome.reasons) or RIGHT
    line = (
        f'<p class="verdict {kind}"><span class="sign" aria-hidden="true">{MARKS[outcome.level]}</span> '
        f"<span><strong>{text(outcome.level)}</strong>: {text(why)}</span></p>"
    )
    cards = "".join(_card(*card) for card in _cards(record))
    warned = items(record.warnings, "warnings")
    warned = f"<h3>Warnings</h3>{warned}" if warned else ""
    meant = folded("What these figures mean", items(_meanings(record)), kind="printed")
    return Section("verdict", "Verdict", f'{line}<dl class="cards">{cards}</dl>{meant}{warned}')


def _meanings(record: Record) -> list[str]:
    """The figures of the cards, one after the other, for a reader who has not seen such a page before."""
    voxel_mm, finer = record.part.grid.voxel_mm, record.settings["grid"]["finer"]
    said = ["Overlap is the volume that comes out right over the volume that is part or wrongly solid; 1 is perfect."]
    if "iou_fine" in record.quality:
        said.append(
            f"The light is designed on the job’s grid, voxels of {voxel_mm:g} mm, and fits these better than it "
            f"prints. So the print is judged on voxels of {voxel_mm / finer:g} mm of the true shape too, the finer "
            "grid; its outermost voxels lie half in the part, and a few percent of errors there are usual."
        )
    said += [
        "Surface: the distance between the surface of the print, where the dose passes the gel dose, and that of the "
        "part, both ways.",
        "Under-cure is what should turn solid and stays liquid, over-cure what should stay liquid and turns solid.",
        "The process window is 1 - (most dose outside the part) / (least dose in it), on the job’s grid. With 20 % an "
        "exposure or a threshold of the resin that is off by less than about 10 % either way still prints every voxel "
        "right; below 0 no exposure does. “Proven” is a bound, computed for this job, that no light whatever can pass.",
        "Exposure is the time of the whole turns planned; how much shorter or longer it may be holds for every voxel "
        "of the job’s grid, whatever the threshold between the resin’s two doses.",
    ]
    return said


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
        cards.append(("Overlap, 1 is perfect", shown, f"true shape, finer grid of {fine_mm:g} mm; {own} {where}"))
    else:
        cards.append(("Overlap, 1 is perfect", own, where))
    cards += _surface(q)
    fine = "_fine" if "iou_fine" in q else ""
    under, over = (q[f"{name}_cure_fraction{fine}"] for name in ("under", "over"))
    shares = [
        figure_of(f"{name}_cure_fraction{fine}", value, _percent(value, 2))
        for name, value in (("under", under), ("over", over))
    ]
    on = "the finer grid" if fine else "the job’s grid"
    said = f"of the part stays liquid / of the rest turns solid, on {on}"
    cards.append(("Under-cure / over-cure", " / ".join(shares), said))
    window = q["window_relative"]
    proven = q.get("window_proven_at_most", math.nan)
    note = "no bound is proven"
    if not math.isnan(proven):
        note = f"proven: none wider than {figure_of('window_proven_at_most', proven, _percent(proven))}"
    cards.append(("Process window", figure_of("window_relative", window, _percent(window)), note))
    cards.append(_exposure(q, record))
    return cards


def _surface(q: dict[str, float]) -> list[tuple[str, str, str]]:
    """How far the surfaces lie apart; nothing for results that do not hold it, or have no surface."""
    suffix = "_fine" if "surface_mean_mm_fine" in q else ""
    names = [f"surface_{name}_mm{suffix}" for name in ("mean", "95", "max")]
    if not all(math.isfinite(q.get(name, math.nan)) for name in names):
        return []
    mean, most, largest = (figure_of(name, q[name], amount(q[name]), "mm") for name in names)
    return [("Surface off by", mean, f"on average; 95 % within {most}, at most {largest}")]


def _exposure(q: dict[str, float], record: Record) -> tuple[str, str, str]:
    seconds = {"exposure_s": record.patterns.exposure_s, **q}["exposure_s"]
    shown = figure_of("exposure_s", seconds, amount(seconds, 4), "s")
    shorter, longer = q.get("shorter_percent", math.nan), q.get("longer_percent", math.nan)
    if math.isnan(shorter):
        return "Exposure", shown, "no exposure prints every voxel right"
    ends = figure_of("shorter_percent", shorter, f"{shorter:.1f}", "% shorter")
    if math.isinf(longer):
        return "Exposure", shown, f"right {ends}, and however much longer"
    only = "" if q.get("sure", 0.0) else ", for the gel dose only"
    return (
        "Exposure",
        shown,
        f"right {ends} to {figure_of('longer_percent', longer, f'{longer:.1f}', '% longer')}{only}",
    )


def _percent(share: float, digits: int = 1) -> str:
    if math.isnan(share):
        return "none"
    if share < -10:
        return "far below 0"
    return f"{100 * share:.{digits}f} %"
