"""A job under other assumptions about its vial and light, for predictions."""

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

from lightlathe.beams import Diverging, Telecentric
from lightlathe.errors import JobError, shown
from lightlathe.flow.recorded import StoredBeam
from lightlathe.job import Job
from lightlathe.job.light import Light
from lightlathe.job.tables import Where, build, unknown
from lightlathe.job.toml import without_nothing
from lightlathe.job.vial import Vial

SURROUNDING = ("surroundings", "wall_mm", "wall_index")  # keys of [vial] that a prediction may change
THROW = "throw_ratio"  # of its beam
PIXEL = ("pixel_shape", "fill_factor", "blur_mm", "numerical_aperture", "focus_mm")  # of [light]


def with_vial(job: Job, other: Mapping[str, Any]) -> Job:
    """The job with other surroundings and another wall; None where a key is to be left out. JobError."""
    where = _where("vial", other, SURROUNDING)
    if isinstance(job.light.beam, StoredBeam):
        raise JobError(
            f"{where}: the beam is {shown(job.light.beam.name)}, whose chords are stored as they were in the design; "
            "expected no other surroundings. Design again with them."
        )
    keys = {name: getattr(job.vial, name) for name in ("inner_diameter_mm", "resin_height_mm", *SURROUNDING)}
    if other.get("wall_mm") == 0:  # no wall, so the index of the one that was there means nothing
        keys["wall_index"] = None
    return dataclasses.replace(job, vial=build(Vial, without_nothing({**keys, **other}), where))


def with_light(job: Job, other: Mapping[str, Any]) -> Job:
    """The job with other pixels, None where a key is to be left out, or with light that diverges. JobError."""
    where = _where("light", other, (*PIXEL, THROW))
    if THROW in other:
        job = _with_throw_ratio(job, other[THROW])
        other = {key: value for key, value in other.items() if key != THROW}
    keys = {f.name: getattr(job.light, f.name) for f in dataclasses.fields(Light)}
    if other.get("pixel_shape") == "linear":
        keys["fill_factor"] = None
    if "numerical_aperture" in other and other["numerical_aperture"] is None:
        keys["focus_mm"] = None
    changed = build(Light, without_nothing({k: v for k, v in {**keys, **other}.items() if k in PLAIN}), where)
    return dataclasses.replace(job, light=dataclasses.replace(job.light, **{k: getattr(changed, k) for k in PIXEL}))


def _with_throw_ratio(job: Job, throw_ratio: float) -> Job:
    """The job with light that leaves a lens at so many widths of the picture; parallel light for infinity. JobError."""
    beam = job.light.beam
    if not isinstance(beam, Telecentric | Diverging):
        raise JobError(
            f"throw_ratio: the beam is {shown(getattr(beam, 'name', type(beam).__name__))}, of the designer's own; "
            "expected a telecentric or a diverging one, whose light can be taken to diverge otherwise."
        )
    if not throw_ratio > 0:
        raise JobError(
            f"throw_ratio is {throw_ratio}; expected the distance of the lens over the width of the picture, above 0; "
            "inf for parallel light."
        )
    if throw_ratio == math.inf:
        beam = Telecentric(beam.polarisation)
    elif isinstance(beam, Telecentric):
        beam = Diverging(throw_ratio=throw_ratio, polarisation=beam.polarisation)
    else:
        beam = dataclasses.replace(beam, throw_ratio=throw_ratio, distance_mm=None)
    return dataclasses.replace(job, light=dataclasses.replace(job.light, beam=beam))


# what says what a pixel may be; beams and responses are members already
PLAIN = ("pixel_mm", "columns", "rows", "irradiance_mw_cm2", "wavelength_nm", *PIXEL)


def _where(table: str, other: Mapping[str, Any], known: tuple[str, ...]) -> Where:
    where = Where("the assumptions", table)
    for key in other:
        if key not in known:
            raise JobError(unknown(where, "key", key, known))
    return where
