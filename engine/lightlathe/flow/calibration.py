"""The exposure plan of a record, and the doses that bracket it."""

import dataclasses
import math
from typing import Any

from lightlathe.families import Resin
from lightlathe.flow.prediction import predict
from lightlathe.judge import ExposurePlan
from lightlathe.resins.own import absorbing
from lightlathe.result import Record
from lightlathe.support.watching import doing


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
