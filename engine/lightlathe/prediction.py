"""What patterns print, and what a resin makes of it: as designed, or under other assumptions."""

import dataclasses
import math
from pathlib import Path
from typing import Any

from torch import Tensor

from lightlathe.dose import DoseOperator, gain_mj_cm3
from lightlathe.errors import JobError, LightlatheError, ResultError
from lightlathe.job import Job, job_from
from lightlathe.judge import quality
from lightlathe.prepare import chords_of
from lightlathe.quantities import Part, Prediction
from lightlathe.result import Record
from lightlathe.watching import doing


def figures_of(dose: Tensor, part: Part, resin: Any, suffix: str = "") -> dict[str, float]:
    """The figures of judge/quality.py for what this resin makes of a dose."""
    return quality(
        dose,
        resin.solid(dose),
        part.to(dose.device),
        liquid_below_mj_cm3=resin.liquid_below_mj_cm3,
        solid_above_mj_cm3=resin.solid_above_mj_cm3,
        suffix=suffix,
    )


@doing("predicting the print")
def predict(
    record: Record,
    *,
    resin: Any = None,
    exposure_s: float | None = None,
    axis_offset_mm: float = 0.0,
    sense: str | None = None,
) -> Prediction:
    """The print of a record's patterns under other assumptions, on its own grid, float32 on the CPU.

    resin            another member of RESINS; the record's own where None
    exposure_s       light time, spread evenly over the images; the planned one where None
    axis_offset_mm   how far the projector's middle column misses the turning axis
    sense            how the vial really turns, "clockwise" or "counterclockwise" seen from above
    """
    job = job_of(record)
    resin = resin or job.resin
    patterns = record.patterns
    exposure = patterns.exposure_s if exposure_s is None else exposure_s
    if not (math.isfinite(exposure) and exposure > 0):
        raise JobError(f"the exposure is {exposure} s; expected a time above 0.")
    if not math.isfinite(axis_offset_mm):
        raise JobError(f"axis_offset_mm is {axis_offset_mm}; expected a length in mm.")
    mirrored = sense is not None and sense != job.turn.sense
    angle_rad = -patterns.angle_rad if mirrored else patterns.angle_rad
    chords = dataclasses.replace(chords_of(job, axis_offset_mm), angle_rad=angle_rad)
    operator = DoseOperator(
        chords,
        record.part.grid,
        vial_radius_mm=record.vial_radius_mm,
        absorption_per_mm=resin.absorption_per_mm,
        gain=gain_mj_cm3(resin.absorption_per_mm, patterns.irradiance_mw_cm2, exposure / len(patterns.angle_rad)),
    )
    dose = operator(patterns.fractions())
    resin = resin.at(exposure)
    return Prediction(dose, resin.solid(dose), figures_of(dose, record.part, resin))


def job_of(record: Record) -> Job:
    """The physical part of a record's job: all but how it was designed. Meshes are not read.

    Raises ResultError where the record's settings are no job.
    """
    try:
        tables = _without_nothing({k: record.settings[k] for k in ("part", "vial", "resin", "light", "turn", "grid")})
        return job_from(tables, name=record.name, folder=Path(), file="the result's job", text="", ask=False)
    except KeyError as problem:
        raise ResultError(f"the result's job has no table {problem}; expected every setting of a job.") from None
    except LightlatheError as problem:
        raise ResultError(f"the settings in the result are no job: {problem}") from None


def _without_nothing(value: Any) -> Any:
    """Settings as a TOML file would give them: no entry where nothing was said."""
    if isinstance(value, dict):
        return {k: _without_nothing(v) for k, v in value.items() if v is not None}
    return [_without_nothing(v) for v in value] if isinstance(value, list) else value
