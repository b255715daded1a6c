"""The job of a record, as far as its file holds it.

Of a family member made in a Python program, a result holds only the name; of one from a user's file ("file.py:name")
it holds the file's text, which runs only on request. A beam of either kind is held as the chords that it gave.
"""

import dataclasses
from dataclasses import dataclass
from typing import Any

from lightlathe.errors import JobError, LightlatheError, ResultError, shown
from lightlathe.families import Resin
from lightlathe.flow.settings import is_outside, kind_of, outside
from lightlathe.job import Job, job_from
from lightlathe.job.toml import without_nothing
from lightlathe.part.own import OwnShape
from lightlathe.projector import FlatField
from lightlathe.quantities import Chords
from lightlathe.result import Record
from lightlathe.support.own import OwnMember

PHYSICAL = ("part", "vial", "resin", "light", "turn", "grid")  # tables: all but the design settings
ANY_RESIN = {"kind": "threshold", "absorption_per_mm": 1.0, "liquid_below_mj_cm3": 1.0, "solid_above_mj_cm3": 1.0}


@dataclass(frozen=True)
class StoredBeam:
    """The chords of a beam that the file holds only the name of; valid for the same axis and refractive index."""

    name: str
    stored: Chords
    refractive_index: float | None
    axis_offset_mm: float = 0.0  # of the design

    def chords(self, *, axis_offset_mm: float = 0.0, resin: Any = None, **_: Any) -> Chords:
        """Arguments as of every beam. Raises JobError for another axis or refractive index than those of the design."""
        index = self.refractive_index if resin is None else getattr(resin, "refractive_index", None)
        if axis_offset_mm != self.axis_offset_mm or index != self.refractive_index:
            other = axis_offset_mm != self.axis_offset_mm
            what = f"an axis offset of {axis_offset_mm:g} mm" if other else f"a refractive index of {index}"
            raise JobError(
                f"{what}: the beam is {shown(self.name)}, Python that the result does not hold. Its chords are stored "
                "as they were in the design; expected the axis and the index of that. Design again with another."
            )
        return self.stored


@dataclass(frozen=True)
class LostResponse:
    """A response that the file holds only the name of: predictions do not need it, frames do."""

    name: str

    def light(self, code: Any) -> Any:
        raise ResultError(
            f"frames take the projector's response; that of this result is {shown(self.name)}, Python that the file "
            "does not hold. Export right after the design, from Python: lightlathe.pipeline.frames(record, folder)."
        )


def job_of(record: Record, resin: Resin | None = None, *, run_own: bool = False) -> Job:
    """The physical part of a record's job: all but how it was designed. Meshes are not read.

    resin     taken where the record's own is Python that its file does not hold
    run_own   run the Python that the record holds of a resin, beam or response of its designer's own. Where it is not
              run, and these very bytes were not run in this process before, what asks for it raises JobError.
    Raises ResultError where the record's settings are no job, or lack what is asked.
    """
    try:
        tables = without_nothing({k: record.settings[k] for k in PHYSICAL})
        tables["sources"] = record.settings.get("sources", {})
        members = {place: _stand_in(place, name, record, resin) for place, name in dict(outside(tables)).items()}
        job = job_from(
            _known_alone(tables),
            name=record.name,
            file="the result's job",
            text="",
            ask=False,
            sources=tables["sources"],
        )
    except KeyError as problem:
        raise ResultError(f"the result's job has no table {problem}; expected every setting of a job.") from None
    except ResultError:
        raise
    except LightlatheError as problem:
        raise ResultError(f"the settings in the result are no job: {problem}") from None
    for member in job.own_of_print:
        if not isinstance(member, OwnShape) and (run_own or member.source.was_run):
            member.load()
    job = _illuminated(job, record)
    light = {place.partition(".")[2]: member for place, member in members.items() if place.startswith("light.")}
    job = dataclasses.replace(job, light=dataclasses.replace(job.light, **light))
    return dataclasses.replace(job, resin=members["resin"]) if "resin" in members else job


def _illuminated(job: Job, record: Record) -> Job:
    """The job with the illumination that the record holds in place of the name of its file."""
    name, optics = job.light.illumination, record.optics
    if name is None:
        return job
    if optics is None or optics.illumination is None:
        raise ResultError(f"the result names the illumination {shown(name)} and holds no values of it.")
    flat = FlatField.of_record(str(name), optics.illumination)
    return dataclasses.replace(job, light=dataclasses.replace(job.light, illumination=flat))


def axis_offset_pixels(record: Record) -> float:
    """How many columns the turning axis lies right of the middle of a record's field; 0 in files from before."""
    light = record.settings.get("light")
    found = light.get("axis_offset_pixels", 0.0) if isinstance(light, dict) else 0.0
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise ResultError(f"axis_offset_pixels of the result is {shown(found)}; expected a number.")
    return float(found)


def lit_as_stored(job: Job, record: Record) -> Job:
    """The job of a record with the chords that its beam gave in the design, where that is Python that was not run."""
    beam = job.light.beam
    if not isinstance(beam, OwnMember) or beam.source.was_run or record.optics is None:
        return job
    return dataclasses.replace(job, light=dataclasses.replace(job.light, beam=_stored_beam(beam.name, record)))


def _known_alone(tables: dict[str, Any]) -> dict[str, Any]:
    """The tables with a known member wherever one is Python of the user's own; a shape of that kind is but its name."""
    known = {table: tables[table] for table in PHYSICAL}
    for place, _ in outside(tables):
        table, _, key = place.partition(".")
        known[table] = {k: v for k, v in known[table].items() if k != key} if key else ANY_RESIN
    if isinstance(tables["part"], list):
        known["part"] = [
            {"mesh": str(kind_of(part["shape"])), **{k: v for k, v in part.items() if k != "shape"}}
            if isinstance(part, dict) and is_outside(kind_of(part.get("shape")), tables)
            else part
            for part in tables["part"]
        ]
    return known


def _stand_in(place: str, name: str, record: Record, resin: Any) -> Any:
    """What takes the place of a member that the settings hold only the name of."""
    if place in record.own:
        return record.own[place]
    if place == "light.response":
        return LostResponse(name)
    if place == "resin":
        if resin is None:
            raise ResultError(
                f"the resin of this result is {shown(name)}, Python that the file does not hold, so nothing can be "
                "predicted from the file alone. From Python, predict(record, resin=...) takes it."
            )
        return resin
    if record.optics is None:
        raise ResultError(f"the beam of this result is {shown(name)}, and the file holds neither it nor its chords.")
    return _stored_beam(name, record)


def _stored_beam(name: str, record: Record) -> StoredBeam:
    assert record.optics is not None
    settings = record.settings["resin"]
    index = settings.get("refractive_index") if isinstance(settings, dict) else None
    # as chords_of says it to a beam
    offset_mm = 0.0 - axis_offset_pixels(record) * record.patterns.pixel_mm
    return StoredBeam(name, record.optics.chords, index, offset_mm)
