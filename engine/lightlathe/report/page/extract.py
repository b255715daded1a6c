"""What a page of several results needs of one of them, so that their volumes need not be in memory together."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from lightlathe.flow.recorded import job_of
from lightlathe.judge import outcome_of
from lightlathe.judge.outcome import Outcome
from lightlathe.report.exposure import exposure_lines
from lightlathe.report.page.by_slice import extremes
from lightlathe.report.page.convergence import thinned
from lightlathe.report.page.dose_volume import Doses, curves, other_exposures
from lightlathe.report.page.volumes import largest, volumes
from lightlathe.report.page.worst import Place, places
from lightlathe.report.summary import assumed
from lightlathe.result import Record
from lightlathe.result.listing import Listed


@dataclass(frozen=True)
class Extract:
    """One result, less its volumes: figures, sentences, curves, and slices as a page shows them."""

    label: str
    file: str
    outcome: Outcome
    quality: dict[str, float]
    settings: dict[str, Any]
    assumed_keys: frozenset[str]
    facts: dict[str, Any]
    log: dict[str, list[float]]
    log_step: int
    job_toml: str
    warnings: tuple[str, ...]
    assumptions: tuple[str, ...]
    exposure: list[str]
    exposure_s: float
    doses_mj_cm3: dict[str, float]
    half_mm: list[float]
    volumes: dict[str, Any]
    places: list[Place]
    curves: list[tuple[str, np.ndarray, np.ndarray]]
    exposures: dict[str, np.ndarray]
    z_mm: np.ndarray
    window: np.ndarray
    listed: Listed | None

    @property
    def bound(self) -> float:
        return self.quality.get("window_proven_at_most", math.nan)


def extract(record: Record, label: str, file: str, listed: Listed | None, share: float) -> Extract:
    """`share` of the room that a page has for volumes goes to this result."""
    resin = job_of(record).resin
    here = resin.at(record.patterns.exposure_s)
    doses, dose_max = Doses.of(record), largest(record.prediction.dose)
    least, most = extremes(record.prediction.dose, record.part.judged)
    log, step = thinned(record.log)
    with np.errstate(invalid="ignore", divide="ignore"):
        window = 1 - most / least
    return Extract(
        label=label,
        file=file,
        outcome=outcome_of(record.quality),
        quality=record.quality,
        settings=record.settings,
        assumed_keys=record.assumed_keys,
        facts=record.facts,
        log=log,
        log_step=step,
        job_toml=record.job_toml,
        warnings=record.warnings,
        assumptions=assumed(record, here),
        exposure=exposure_lines(record),
        exposure_s=record.patterns.exposure_s,
        doses_mj_cm3={
            "liquid below": here.liquid_below_mj_cm3,
            "gel dose": here.gel_mj_cm3,
            "solid above": here.solid_above_mj_cm3,
        },
        half_mm=[length / 2 for length in record.part.grid.extent_mm],
        volumes={"name": label, "dose_max": dose_max, **volumes(record, dose_max, share, finer=False)},
        places=places(record, here.gel_mj_cm3)[:1],
        curves=curves(doses),
        exposures=other_exposures(record, resin, doses),
        z_mm=record.part.grid.centres_mm(2).numpy(),
        window=window,
        listed=listed,
    )
