"""The images of a record as its projector is to show them: response undone, mounting, planes, timing."""

import dataclasses
import math
from typing import Any

import numpy as np

from lightlathe.errors import JobError
from lightlathe.export.images import Images
from lightlathe.export.mounting import Mounting
from lightlathe.flow.recorded import job_of
from lightlathe.job import resolved
from lightlathe.job.light import Light
from lightlathe.job.model import LONGEST_S
from lightlathe.judge.cautions import LIGHT
from lightlathe.projector import Codebook
from lightlathe.result import Record
from lightlathe.support.words import amount

FASTEST_S = 2e-5  # an image of the fastest micromirror projectors, one bit deep, from memory of their data sheets
CAUTION = f"{LIGHT} Violet and ultraviolet light look weaker than they are: never look into the beam."


def images_of(record: Record, exposure_s: float | None = None, *, whole_exposure: bool = False) -> Images:
    """The images that a record's projector is to show.

    exposure_s       another time than planned, in as many turns
    whole_exposure   all turns one after another instead of one to repeat
    Raises JobError for a time that cannot be, ResultError for what the record's file does not hold.
    """
    job, patterns = job_of(record), record.patterns
    if exposure_s is not None:
        if not (math.isfinite(exposure_s) and exposure_s > 0):
            raise JobError(f"the exposure is {exposure_s} s; expected a time above 0.")
        dwell_s, fastest_s = exposure_s / (patterns.turns * len(patterns.angle_rad)), FASTEST_S * job.light.planes
        if not fastest_s <= dwell_s <= LONGEST_S:
            raise JobError(
                f"an exposure of {exposure_s:g} s shows each of {len(patterns.angle_rad)} images for {amount(dwell_s)} "
                f"s; expected {fastest_s:g} s to a day in a turn. The planned exposure is {patterns.exposure_s:g} s."
            )
        patterns = dataclasses.replace(patterns, dwell_s=dwell_s)
    book = Codebook.of(job.light.bits, job.light.response, job.light.planes)
    applied = {"vial_turns_seen_from_above": job.turn.sense, "response_undone": resolved(job)["light"]["response"]}
    facts = {"name": record.name, "caution": CAUTION, **applied, **_illumination(job.light)}
    facts |= {"axis_offset_pixels": job.light.axis_offset_pixels, "axis_tilt_deg": job.light.axis_tilt_deg}
    if job.light.frame_rate_hz is not None:
        each = patterns.dwell_s / job.light.planes * job.light.frame_rate_hz
        facts |= {"frame_rate_hz": job.light.frame_rate_hz, "frames_of_the_projector_each": each}
    return Images(
        patterns,
        book.codes_of,
        bits=job.light.bits,
        motion=job.turn.motion,
        facts=facts,
        dark=int(book.codes_of(np.zeros(1, np.int64))[0]),
        mounting=Mounting(job.light.flip, job.light.rotate_deg),
        planes=job.light.planes,
        turns=patterns.turns if whole_exposure else 1,
    )


def _illumination(light: Light) -> dict[str, Any]:
    """What a manifest says of the uneven light that the design allowed for: frames are shown as they are."""
    if light.relative_irradiance is None:
        return {}
    flat = light.illumination
    named = {} if flat is None else {"file": flat if isinstance(flat, str) else flat.name}
    dead = {"dead_columns": list(light.dead_columns), "dead_rows": list(light.dead_rows)}
    means = "irradiance_mw_cm2_at_full_code is that of the brightest place of the field; the levels allow for the rest"
    return {"illumination": {**named, **dead, "meaning": means}}
