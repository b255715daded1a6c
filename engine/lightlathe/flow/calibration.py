"""After a print: its exposure plan, and the exposure to try next."""

import dataclasses
import math
from typing import Any

from lightlathe import judge
from lightlathe.errors import JobError
from lightlathe.families import Resin
from lightlathe.flow.prediction import predict
from lightlathe.flow.recorded import job_of
from lightlathe.judge import ExposurePlan, NextExposure
from lightlathe.resins.own import absorbing
from lightlathe.result import Record
from lightlathe.support.watching import doing


def next_exposure(record: Record, came_out: str, exposure_s: float | None = None) -> NextExposure:
    """The exposure to try next, given how a print of `record` turned out, e.g. "too thin by 0.1 mm".

    exposure_s   the exposure that was used; the planned one where None
    """
    planned = record.patterns.exposure_s
    used = planned if exposure_s is None else exposure_s
    if not (math.isfinite(used) and used > 0):
        raise JobError(f"the exposure is {used} s; expected a time above 0.")
    dose, job = record.prediction.dose * (used / planned), job_of(record)
    resin = job.resin.at(used)
    return judge.next_exposure(
        dose,
        record.part,
        used,
        planned / record.patterns.turns,
        came_out,
        stated=(resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3),
        longest_s=job.turn.longest_s,
    )


def plan_of(record: Record) -> ExposurePlan:
    """The exposure plan that a record's figures hold."""
    values = {f.name: record.quality.get(f.name, math.nan) for f in dataclasses.fields(ExposurePlan)}
    whole: dict[str, Any] = {
        name: kind(values[name]) for name, kind in (("turns", int), ("sure", bool), ("reachable", bool))
    }
    return ExposurePlan(**(values | whole))


@doing("what the resin's uncertainty does")
def windows_of(record: Record, resin: Resin) -> list[tuple[float, float]]:
    """(max dose outside, min dose inside) at the planned exposure, for absorptions evenly over the resin's interval."""
    windows = []
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0) if resin.absorption_known_to_percent else (0.0,):
        factor = 1 + share * (resin.absorption_known_to_percent or 0.0) / 100
        other = absorbing(resin, resin.absorption_per_mm * factor)
        q = record.quality if share == 0 else predict(record, resin=other, finer=False).quality
        windows.append((q["window_low_mj_cm3"], q["window_high_mj_cm3"]))
    return windows
