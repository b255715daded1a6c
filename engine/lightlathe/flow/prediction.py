"""What patterns print, and what a resin makes of it: as designed, or under other assumptions."""

import dataclasses
import math
from typing import Any, Literal

from torch import Tensor

from lightlathe.dose import DoseOperator, Turning, gain_mj_cm3
from lightlathe.errors import JobError, LightlatheError, ResultError
from lightlathe.families import Resin
from lightlathe.flow.prepare import in_motion, optics_of
from lightlathe.job import Job, job_from
from lightlathe.judge import quality
from lightlathe.part.own import OwnShape
from lightlathe.quantities import FineShape, Part, Prediction
from lightlathe.result import Record
from lightlathe.support.watching import doing


def figures_of(dose: Tensor, part: Part | FineShape, resin: Resin, suffix: str = "") -> dict[str, float]:
    """The figures of judge/quality.py for what this resin makes of a dose."""
    return quality(
        dose,
        resin.solid(dose),
        part.to(dose.device),
        liquid_below_mj_cm3=resin.liquid_below_mj_cm3,
        solid_above_mj_cm3=resin.solid_above_mj_cm3,
        suffix=suffix,
    )


def printed(
    turning: DoseOperator | Turning, levels: Tensor, part: Part, fine: FineShape | None, resin: Resin
) -> Prediction:
    """The print of levels 0..1 of full irradiance, on the operator's device.

    turning   mJ/cm3 of the whole exposure, in the motion that the stage makes
    fine      the print is judged on this grid as well
    resin     as it is after the exposure

    Figures without suffix are of the part's own voxels, `_fine` of the whole shape on the finer grid. Where a tolerance
    band is left out, `_whole` are of the own voxels without it, `_fine_judged` of the finer grid with it.
    """
    dose = turning(levels)
    figures = figures_of(dose, part, resin)
    if part.whole is not None:
        figures |= figures_of(dose, dataclasses.replace(part, judged=part.whole), resin, "_whole")
    fine_solid = None
    if fine is not None:
        fine_dose = turning.on(fine.grid)(levels)
        figures |= figures_of(fine_dose, fine, resin, "_fine")
        if fine.banded is not None:
            banded = dataclasses.replace(fine, judged=fine.banded)
            figures |= figures_of(fine_dose, banded, resin, "_fine_judged")
        fine_solid = resin.solid(fine_dose)
    return Prediction(dose, resin.solid(dose), figures, fine_solid)


@doing("predicting the print")
def predict(
    record: Record,
    *,
    resin: Resin | None = None,
    exposure_s: float | None = None,
    axis_offset_mm: float = 0.0,
    sense: str | None = None,
    motion: Literal["continuous", "stepped"] | None = None,
    finer: bool = True,
    run_own: bool = False,
) -> Prediction:
    """The print of a record's patterns under other assumptions, float32 on the CPU.

    resin            another member of RESINS; the record's own where None
    exposure_s       light time, spread evenly over the images; the planned one where None
    axis_offset_mm   how far the projector's middle column misses the turning axis
    sense            how the vial really turns, "clockwise" or "counterclockwise" seen from above
    motion           whether it turns on while an image stands; as the record's job says where None
    finer            judge on the record's finer grid too, where it holds one; takes some ten times as long
    run_own          see job_of
    """
    job = job_of(record, run_own=run_own)
    if motion is not None:
        job = dataclasses.replace(job, turn=dataclasses.replace(job.turn, motion=motion))
    resin = resin or job.resin
    patterns = record.patterns
    exposure = patterns.exposure_s if exposure_s is None else exposure_s
    if not (math.isfinite(exposure) and exposure > 0):
        raise JobError(f"the exposure is {exposure} s; expected a time above 0.")
    if not math.isfinite(axis_offset_mm):
        raise JobError(f"axis_offset_mm is {axis_offset_mm}; expected a length in mm.")
    mirrored = sense is not None and sense != job.turn.sense
    angle_rad = -patterns.angle_rad if mirrored else patterns.angle_rad
    optics = optics_of(dataclasses.replace(job, resin=resin), axis_offset_mm)
    optics = optics.replace(angle_rad=angle_rad, vial_radius_mm=record.vial_radius_mm)
    gain = gain_mj_cm3(resin.absorption_per_mm, patterns.irradiance_mw_cm2, exposure / len(patterns.angle_rad))
    operator = DoseOperator(optics, record.part.grid, gain=gain)
    turning = in_motion(job, operator, record.part)
    return printed(turning, patterns.fractions(), record.part, record.fine if finer else None, resin.at(exposure))


def job_of(record: Record, *, run_own: bool = False) -> Job:
    """The physical part of a record's job: all but how it was designed. Meshes are not read.

    run_own   run the Python that the record holds of a resin, beam or response of its designer's own. Where it is not
              run, and these very bytes were not run in this process before, what asks for it raises JobError.
    Raises ResultError where the record's settings are no job.
    """
    try:
        tables = _without_nothing({k: record.settings[k] for k in ("part", "vial", "resin", "light", "turn", "grid")})
        sources = record.settings.get("sources", {})
        job = job_from(tables, name=record.name, file="the result's job", text="", ask=False, sources=sources)
    except KeyError as problem:
        raise ResultError(f"the result's job has no table {problem}; expected every setting of a job.") from None
    except LightlatheError as problem:
        raise ResultError(f"the settings in the result are no job: {problem}") from None
    for member in job.own_of_print:
        if not isinstance(member, OwnShape) and (run_own or member.source.was_run):
            member.load()
    return job


def _without_nothing(value: Any) -> Any:
    """Settings as a TOML file would give them: no entry where nothing was said."""
    if isinstance(value, dict):
        return {k: _without_nothing(v) for k, v in value.items() if v is not None}
    return [_without_nothing(v) for v in value] if isinstance(value, list) else value
