"""Dose-volume curves, and what other exposures would print, from one pass over the dose for each class of voxels."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from torch import Tensor

from lightlathe.families import Resin
from lightlathe.judge.order import edges, histogram
from lightlathe.quantities import LIQUID, SOLID
from lightlathe.report.page.chart import band, chart, line, mark
from lightlathe.result import Record
from lightlathe.support.watching import doing

POINTS = 400
AROUND = (0.6, 1.5)  # of the planned exposure, at least


@dataclass(frozen=True)
class Doses:
    """How many voxels of the job's grid have the dose `edges[b]` or more: `inside`, `outside`, (buckets + 1,) int64."""

    edges: np.ndarray
    inside: np.ndarray
    outside: np.ndarray

    @classmethod
    @doing("dose-volume curves")
    def of(cls, record: Record) -> "Doses":
        dose, judged = record.prediction.dose, record.part.judged
        return cls(edges().double().numpy(), *(_at_least(histogram(dose, judged, value)) for value in (SOLID, LIQUID)))

    def above(self, dose: Any) -> tuple[np.ndarray, np.ndarray]:
        """Voxels of the part, and of the rest, with more than a dose; to 0.05 % of it, as fine as the counts are."""
        at = np.searchsorted(self.edges, np.asarray(dose, float), side="right")
        return self.inside[at], self.outside[at]

    @property
    def highest(self) -> float:
        """Upper edge of the highest dose that any judged voxel has."""
        there = np.flatnonzero(self.inside + self.outside)
        return float(self.edges[min(there[-1] + 1, len(self.edges) - 1)]) if len(there) else 1.0


def _at_least(counts: Tensor) -> np.ndarray:
    return np.append(counts.flip(0).cumsum(0).flip(0).numpy(), 0)


def curves(doses: Doses) -> list[tuple[str, np.ndarray, np.ndarray]]:
    """(class, dose, percent of its voxels that receive it or more) at POINTS doses; no class without voxels."""
    buckets = np.unique(np.searchsorted(doses.edges, np.linspace(0, doses.highest, POINTS)))
    buckets = buckets[buckets < len(doses.edges)]
    found = []
    for name, counts in (("part", doses.inside), ("surroundings", doses.outside)):
        if counts[0]:
            found.append((name, doses.edges[buckets], 100 * counts[buckets] / counts[0]))
    return found


def dose_volume_chart(doses: Doses, resin: Resin) -> dict[str, Any]:
    """Both curves with the resin's two doses."""
    roles = {"part": ("part", "solid"), "surroundings": ("around", "dash")}
    return chart(
        "dose / mJ cm⁻³",
        "share of voxels / %",
        [line(name, x, y, *roles[name]) for name, x, y in curves(doses)],
        marks=_thresholds(resin),
        x_range=(0, doses.highest),
        y_range=(0, 101),
    )


def _thresholds(resin: Resin) -> list[dict[str, Any]]:
    marks = [
        mark("liquid below", resin.liquid_below_mj_cm3, "muted", "dot"),
        mark("solid above", resin.solid_above_mj_cm3, "muted", "dashdot"),
    ]
    return marks if resin.liquid_below_mj_cm3 > 0 else marks[1:]


def other_exposures(record: Record, resin: Resin, doses: Doses) -> dict[str, np.ndarray]:
    """What other exposure times print, at the resin's gel dose then: `seconds`, `overlap` (0..1), `wrong_mm3`."""
    planned, q = record.patterns.exposure_s, record.quality
    ends = [s for s in (q.get("shortest_s", math.nan), q.get("longest_s", math.nan)) if math.isfinite(s)]
    low = min([AROUND[0] * planned, *(0.8 * s for s in ends)])
    high = min(max([AROUND[1] * planned, *(1.2 * s for s in ends)]), 10 * planned)
    seconds = np.unique(np.append(np.linspace(low, high, POINTS), planned))
    gel = np.array([_threshold(resin.at(float(s))) for s in seconds])
    inside, outside = doses.above(gel * planned / seconds)
    part, each_mm3 = doses.inside[0], record.part.grid.voxel_mm**3
    with np.errstate(invalid="ignore", divide="ignore"):
        overlap = inside / (part + outside)
    return {"seconds": seconds, "overlap": overlap, "wrong_mm3": (part - inside + outside) * each_mm3}


def _threshold(resin: Resin) -> float:
    return resin.gel_mj_cm3 if resin.liquid_below_mj_cm3 > 0 else 0.0


def exposure_charts(record: Record, resin: Resin, doses: Doses) -> dict[str, Any]:
    """Overlap and wrong volume against exposure, with the exposures that are right and the planned one."""
    found, q = other_exposures(record, resin, doses), record.quality
    seconds = found["seconds"]
    right = band("every voxel right", q.get("shortest_s", math.nan), _end(q, seconds), "plan")
    about = {
        "bands": [right],
        "marks": [mark("planned", record.patterns.exposure_s, "plan", "dash")],
        "x_range": (float(seconds[0]), float(seconds[-1])),
    }
    x, lowest = "exposure / s", float(np.nanmin(found["overlap"], initial=1.0))
    return {
        "overlap": chart(
            x,
            "overlap of print and part / %",
            [line("overlap", seconds, 100 * found["overlap"], "part")],
            y_range=(max(0.0, 100 * lowest - 2), 101),
            **about,
        ),
        "wrong": chart(x, "wrong volume / mm³", [line("wrong volume", seconds, found["wrong_mm3"], "over")], **about),
    }


def _end(q: dict[str, float], seconds: np.ndarray) -> float:
    longest = q.get("longest_s", math.nan)
    return float(seconds[-1]) if math.isinf(longest) else longest
