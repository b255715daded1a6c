"""Ranking of a study's variants, and whether their differences exceed chance."""

import dataclasses
import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightlathe.errors import ResultError
from lightlathe.study.runs import Run, Study
from lightlathe.support.own_file import OwnFile, is_own

BETTER = {  # 1: larger is better
    "iou_fine": 1, "iou_fine_judged": 1, "iou": 1, "window_relative": 1,
    "wrong_voxels": -1, "wrong_voxels_fine": -1, "light_mj": -1, "seconds": -1, "cpu_seconds": -1,
    "window_relative_fine": 1, "window_relative_98": 1, "window_relative_98_fine": 1, "homogeneity": -1,
    "under_cure_fraction_fine": -1, "over_cure_fraction_fine": -1, "wasted_light_fraction": -1, "wanted_dose_rms": -1,
    "iterations_to_none_wrong": -1,
}  # fmt: skip


def rank_figure(name: str, folder: Path | None = None, metrics: Sequence[str] = ()) -> str:
    """`name`, if variants can be ranked by it, else ResultError; of a user's own, "file.py:name", nothing is run.

    folder   where such a file is looked for; a study's own figures are in it already
    metrics  of a study, which may rank it too
    """
    if name in metrics:
        return name
    if name not in BETTER and not is_own(name):
        expected = f"one of {', '.join(BETTER)}, or a function of yours, file.py:name"
        raise ResultError(f"runs cannot be ranked by '{name}'; expected {expected}.")
    if is_own(name) and folder is not None:
        OwnFile.named(name, folder)
    return name


def label(variant: Mapping[str, Any]) -> str:
    """The varied values in a few words: `soft_window(sharpest=1000), bounded_lbfgs`."""

    def word(value: Any) -> str:
        if isinstance(value, Mapping):
            rest = ", ".join(f"{k}={word(v)}" for k, v in value.items() if k != "kind")
            return f"{value.get('kind', '')}({rest})"
        return f"[{', '.join(map(word, value))}]" if isinstance(value, list) else str(value)

    return ", ".join(
        word(v) if isinstance(v, str | Mapping) else f"{k.rpartition('.')[2]} = {word(v)}" for k, v in variant.items()
    )


@dataclass(frozen=True)
class Line:
    """One variant on one job: its rank, the mean of each figure over the repeats, and how far they lie apart.

    rank      1 is best; variants that differ by no more than either spreads over its repeats share a rank, and so do
              all without a value
    spread    range (max - min) of the ranking figure over the repeats; NaN for one run
    spreads   the same of every figure
    failed    the first error, where a run gave no design
    """

    job: str
    variant: Mapping[str, Any]
    rank: int
    figures: dict[str, float]
    spread: float
    runs: int
    failed: str | None = None
    spreads: Mapping[str, float] = dataclasses.field(default_factory=dict)

    @property
    def name(self) -> str:
        return label(self.variant)


def ranking(study: Study, rank_by: str) -> list[Line]:
    """The variants of each job, best first by the mean of `rank_by`. NaN comes last."""
    lines: list[Line] = []
    for job in dict.fromkeys(r.job for r in study.runs):
        groups: dict[str, list[Run]] = {}
        for r in (r for r in study.runs if r.job == job):
            groups.setdefault(json.dumps(r.variant, default=str), []).append(r)
        found = [_line(job, runs, rank_by) for runs in groups.values()]
        worth = {id(line): BETTER.get(rank_by, 1) * line.figures.get(rank_by, math.nan) for line in found}
        found.sort(key=lambda line: -math.inf if math.isnan(worth[id(line)]) else worth[id(line)], reverse=True)
        leader, rank = None, 0
        for place, line in enumerate(found, 1):
            if leader is None or not _level(worth[id(leader)], worth[id(line)], leader.spread, line.spread):
                leader, rank = line, place
            lines.append(dataclasses.replace(line, rank=rank))
    return lines


def _line(job: str, runs: list[Run], rank_by: str) -> Line:
    keys = dict.fromkeys((*(k for r in runs for k in r.figures), rank_by))
    values = {k: [r.figures.get(k, math.nan) for r in runs] for k in keys}
    spreads = {k: max(v) - min(v) if len(v) > 1 else math.nan for k, v in values.items()}
    means = {k: float(np.mean(v)) for k, v in values.items() if any(k in r.figures for r in runs)}
    failed = next((r.facts["failed"] for r in runs if "failed" in r.facts), None)
    return Line(job, runs[0].variant, 0, means, spreads[rank_by], len(runs), failed, spreads)


def _level(first: float, second: float, *spreads: float) -> bool:
    """Whether chance may have put `first` above `second`."""
    if math.isnan(first) or math.isnan(second):
        return math.isnan(first) and math.isnan(second)
    return first - second <= max([0.0, *(s for s in spreads if not math.isnan(s))])


@dataclass(frozen=True)
class Effect:
    """How far another value of one varied key moves the mean of the ranking figure on one job, all other keys the same.

    median, largest   median and largest difference, over all pairs of values and all settings of the other keys
    """

    job: str
    key: str
    median: float
    largest: float


def effects(lines: list[Line], rank_by: str) -> list[Effect]:
    """For each job and each key of two values or more; variants without the figure are left out."""
    found = []
    sound = [line for line in lines if not math.isnan(line.figures.get(rank_by, math.nan))]
    for job in dict.fromkeys(line.job for line in sound):
        here = [line for line in sound if line.job == job]
        for key in dict.fromkeys(key for line in here for key in line.variant):
            groups: dict[str, list[float]] = {}
            for line in here:
                others = json.dumps({k: v for k, v in line.variant.items() if k != key}, default=str)
                groups.setdefault(others, []).append(line.figures[rank_by])
            apart = [abs(a - b) for values in groups.values() for a, b in itertools.combinations(values, 2)]
            if apart:
                found.append(Effect(job, key, float(np.median(apart)), max(apart)))
    return found
