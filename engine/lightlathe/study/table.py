"""A study as text: a table for each job, the effect of each key, and the spread by chance."""

import math
from collections.abc import Iterable

from lightlathe.study.ranking import Line, effects, label, ranking
from lightlathe.study.runs import Run, Study
from lightlathe.support.own_file import is_own

COLUMNS = (  # head, figure, format
    ("true IoU", "iou_fine", "{:.4f}"),
    ("less band", "iou_fine_judged", "{:.4f}"),
    ("IoU", "iou", "{:.4f}"),
    ("wrong", "wrong_voxels", "{:.0f}"),
    ("window", "window_relative", "{:.3f}"),
    ("to bound", "window_gap", "{:.3f}"),
    ("light mJ", "light_mj", "{:.3g}"),
    ("iterations", "iterations", "{:.0f}"),
    ("right after", "iterations_to_none_wrong", "{:.0f}"),
    ("seconds", "seconds", "{:.1f}"),
    ("CPU s", "cpu_seconds", "{:.1f}"),
)
HEADS = {figure: head for head, figure, _ in COLUMNS}
LEGEND = """\
spread       largest less smallest value of the first figure over the runs from disturbed starts
true IoU     overlap with the whole true shape, judged on finer voxels; less band: the same without the tolerance band
IoU, wrong   on the job's own voxels, without the tolerance band where there is one
window       relative process window of the rounded levels; to bound: what no patterns can pass, less the window
light mJ     light energy sent into the vial over the whole exposure
right after  iterations to the first design without a wrong voxel, before exposure and levels are set; where only these
             bring it, all iterations
seconds      of the start and the iterations alone; CPU s: of all threads of the processor in that time"""


def table(study: Study, rank_by: str) -> str:
    """The ranking, one block for each job; `=` marks ranks that the noise does not tell apart."""
    lines = ranking(study, rank_by)
    if not lines:
        return f"{study.name}: no runs yet."
    jobs = _once(line.job for line in lines)
    blocks = [_block([line for line in lines if line.job == job], rank_by, study.metrics) for job in jobs]
    return "\n\n".join([*blocks, LEGEND + "\n" + _where(study)])


def one_line(run: Run) -> str:
    """A run that has just been made, for a person who waits."""
    name = f"{run.job}: {label(run.variant)}" + (f", repeat {run.repeat}" if run.repeat else "")
    if run.failed:
        return f"{name}: {run.facts['failed']}"
    named = {figure: (head, form) for head, figure, form in COLUMNS}
    wanted = ("iou_fine" if "iou_fine" in run.figures else "iou", "wrong_voxels", "window_relative", "seconds")
    return f"{name}: " + ", ".join(f"{named[n][0]} {_shown(run.figures[n], named[n][1])}" for n in wanted)


def _block(lines: list[Line], rank_by: str, metrics: Iterable[str]) -> str:
    banded = any(not math.isnan(line.figures.get("iou_fine_judged", math.nan)) for line in lines)
    found = [column for column in COLUMNS if column[1] != "iou_fine_judged" or banded]
    known = {figure for _, figure, _ in COLUMNS}
    found += [(_short(name), name, "{:.4g}") for name in metrics if name not in known]
    columns = sorted(found, key=lambda column: column[1] != rank_by)  # the figure that ranks stands first
    if columns[0][1] != rank_by:
        columns = [(_short(rank_by), rank_by, "{:.4g}"), *columns]
    form = columns[0][2]
    rows = [["rank ", "", columns[0][0], "spread", *(head for head, _, _ in columns[1:])]]
    ranks = [line.rank for line in lines]
    for line in lines:
        values = [_shown(line.figures.get(name, math.nan), shape) for _, name, shape in columns]
        tie = "=" if ranks.count(line.rank) > 1 else " "
        rows.append([f"{line.rank}{tie}", line.name, values[0], _shown(line.spread, form), *values[1:]])
    wide = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    named = HEADS.get(rank_by, rank_by)
    text = [f"{lines[0].job}, ranked by {named}" + (f" ({rank_by})" if named != rank_by else "")]
    for row in rows:
        cells = (c.ljust(w) if n == 1 else c.rjust(w) for n, (c, w) in enumerate(zip(row, wide, strict=True)))
        text.append("  " + "  ".join(cells).rstrip())
    text += [f"  {line.name} failed: {line.failed}" for line in lines if line.failed is not None]
    for effect in effects(lines, rank_by):
        moved = f"{_shown(effect.median, form)} (median), {_shown(effect.largest, form)} (max)"
        text.append(f"  another {effect.key}, all else the same, moves {named} by {moved}")
    return "\n".join([*text, *_noise(lines, form)])


def _short(name: str) -> str:
    """A figure's name as a head; of the user's own without the folders of its file."""
    return name.rpartition("/")[2] if is_own(name) else name


def _noise(lines: list[Line], form: str) -> list[str]:
    spreads = sorted(line.spread for line in lines if not math.isnan(line.spread))
    if not spreads:
        return ["  one run each: how much of a difference is chance is not known (repeats = 1)"]
    runs = "/".join(str(n) for n in sorted({line.runs for line in lines}))
    median = _shown(spreads[len(spreads) // 2], form)
    return [
        f"  chance, a start disturbed at random, moves it by {median} (median), {_shown(spreads[-1], form)} (max): "
        f"the spread over {runs} runs,",
        "  whose means are above; = where the spread hides the order",
    ]


def _where(study: Study) -> str:
    """The provenance of the runs: machines and dates."""

    def facts(*names: str) -> list[str]:
        return _once(" ".join(str(r.facts[n]) for n in names if n in r.facts) for r in study.runs if not r.failed)

    machines, days = facts("card", "processor", "threads"), sorted(at[:10] for at in facts("created_utc"))
    said = (
        f"{len(study.runs)} runs; card, processor, threads: {'; '.join(machines)}; "
        f"lightlathe {', '.join(facts('program_version'))}; {' to '.join(_once([*days[:1], *days[-1:]]))}"
    )
    return said + ("\nseconds are of several machines: do not compare them" if len(machines) > 1 else "")


def _once(values: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(values))


def _shown(value: float, form: str) -> str:
    return "-" if math.isnan(value) else form.format(value)
