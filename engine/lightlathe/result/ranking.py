"""Which variant of a study is best, by how much, and whether the difference is more than chance."""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

BETTER = {
    "iou_fine": 1,
    "iou": 1,
    "window_relative": 1,
    "wrong_voxels": -1,
    "wrong_voxels_fine": -1,
    "seconds": -1,
}  # 1: larger is better


def label(variant: Mapping[str, Any]) -> str:
    """The varied values in a few words: `soft_window(sharpest=1000), bounded_lbfgs`."""

    def word(value: Any) -> str:
        if isinstance(value, Mapping):
            rest = ", ".join(f"{k}={word(v)}" for k, v in value.items() if k != "kind")
            return f"{value.get('kind', '')}({rest})"
        return f"{value:g}" if isinstance(value, float) else str(value)

    named = {
        k: f"{k.rpartition('.')[2]} = {word(v)}" if isinstance(v, int | float) else word(v) for k, v in variant.items()
    }
    return ", ".join(named.values())


@dataclass(frozen=True)
class Line:
    """One variant on one job: its rank, the mean of each figure over the repeats, and how far they lie apart.

    rank     1 is best; variants that differ by no more than either spreads over its repeats share a rank
    spread   largest less smallest value of the ranking figure over the repeats; NaN for one run
    """

    job: str
    variant: str
    rank: int
    figures: dict[str, float]
    spread: float
    runs: int


def ranking(study: Any, rank_by: str) -> list[Line]:
    """The variants of each job, best first by the mean of `rank_by`. NaN comes last."""
    lines: list[Line] = []
    for job in dict.fromkeys(r.job for r in study.runs):
        groups: dict[str, list[Any]] = {}
        for r in (r for r in study.runs if r.job == job):
            groups.setdefault(label(r.variant), []).append(r)
        found = []
        for name, runs in groups.items():
            values = [r.figures.get(rank_by, math.nan) for r in runs]
            spread = max(values) - min(values) if len(values) > 1 else math.nan
            keys = dict.fromkeys(k for r in runs for k in r.figures)
            means = {k: float(np.mean([r.figures.get(k, math.nan) for r in runs])) for k in keys}
            found.append(Line(job, name, 0, means, spread, len(runs)))
        worth = {id(line): BETTER[rank_by] * line.figures.get(rank_by, math.nan) for line in found}
        found.sort(key=lambda line: -math.inf if math.isnan(worth[id(line)]) else worth[id(line)], reverse=True)
        leader, rank = None, 0
        for place, line in enumerate(found, 1):
            noise = 0.0 if leader is None else np.nanmax([0.0, leader.spread, line.spread])
            if leader is None or not worth[id(leader)] - worth[id(line)] <= noise:
                leader, rank = line, place
            lines.append(dataclasses.replace(line, rank=rank))
    return lines


COLUMNS = (  # head, figure, format
    ("wrong", "wrong_voxels", "{:.0f}"),
    ("IoU", "iou", "{:.4f}"),
    ("true IoU", "iou_fine", "{:.4f}"),
    ("window", "window_relative", "{:.3f}"),
    ("to bound", "window_gap", "{:.3f}"),
    ("light", "mean_level", "{:.3f}"),
    ("its", "iterations", "{:.0f}"),
    ("first right", "iterations_to_none_wrong", "{:.0f}"),
    ("seconds", "seconds", "{:.1f}"),
)


def table(study: Any, rank_by: str) -> str:
    """The ranking as text, one block per job; `=` marks ranks that the noise does not tell apart."""
    lines, blocks = ranking(study, rank_by), []
    for job in dict.fromkeys(line.job for line in lines):
        block = [line for line in lines if line.job == job]
        wide = max(len(line.variant) for line in block)
        heads = "  ".join(f"{head:>11s}" for head, _, _ in COLUMNS)
        rows = [f"{job}, ranked by {rank_by}", f"  rank  {'':{wide}s}  {heads}  {'spread':>9s}"]
        ranks = [line.rank for line in block]
        for line in block:
            values = (_shown(line.figures.get(name, math.nan), form) for _, name, form in COLUMNS)
            tie = "=" if ranks.count(line.rank) > 1 else " "
            cells = "  ".join(f"{value:>11s}" for value in values)
            rows.append(f"  {line.rank:3d}{tie}  {line.variant:{wide}s}  {cells}  {_shown(line.spread, '{:.4f}'):>9s}")
        runs = max(line.runs for line in block)
        rows.append(
            f"  means of {runs} runs from disturbed starts; spread of {rank_by}; = where the spread hides the order"
            if runs > 1
            else "  one run each: how much of a difference is chance is not known (repeats = 1)"
        )
        blocks.append("\n".join(rows))
    return "\n\n".join(blocks)


def _shown(value: float, form: str) -> str:
    return "-" if math.isnan(value) else form.format(value)
