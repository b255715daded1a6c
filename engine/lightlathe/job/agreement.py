"""What the tables of a job must agree on."""

from collections.abc import Mapping
from typing import Any

from lightlathe.errors import JobError
from lightlathe.job.computed import require_computed
from lightlathe.job.model import Job
from lightlathe.job.tables import Where
from lightlathe.solve import Earlier
from lightlathe.support.own import OwnMember

WIDEST_BAND = 0.1  # of the vial's diameter: a wider band along the surface leaves nothing to judge, and takes minutes

VIAL_IN = (("cm", 10.0), ("m", 1000.0))  # units in which a vial's diameter may have been written by mistake


def require_agreement(job: Job, tables: Mapping[str, Any], top: Where) -> None:
    """Raises JobError.

    tables   that the job was read from: what they leave out is not stated
    top      the job file, for the message
    """
    stated = not isinstance(tables["resin"], Mapping) or "refractive_index" in tables["resin"]
    refracts = job.vial.surroundings not in (None, "matched") or job.vial.wall_index is not None
    if refracts and not stated and not isinstance(job.resin, OwnMember):
        wall = "" if job.vial.wall_index is None else f" and wall_index = {job.vial.wall_index:g}"
        raise JobError(
            f"{top.inner('resin')}: refractive_index is missing, and with surroundings = {job.vial.surroundings!r}"
            f"{wall} in [vial] the rays depend on it; expected the liquid resin's index at the printing wavelength, "
            "about 1.5."
        )
    ours, resins = job.light.wavelength_nm, getattr(job.resin, "wavelength_nm", None)  # one's own is not asked: not run
    if ours is not None and resins is not None and ours != resins:
        raise JobError(
            f"{top.file}: wavelength_nm is {ours:g} in [light] and {resins:g} in [resin]; expected one and the same. "
            "Leave it out of [light]."
        )
    require_computed(job, top)
    if job.design.seed and not job.own:
        raise JobError(
            f"{top.inner('design')}: seed is {job.design.seed}, and nothing in this job draws a random number from it: "
            'only members of your own ("file.py:name") may. Delete the key. A disturbed start has a seed of its own: '
            "start = { kind = 'filtered', disturbed = 0.3, seed = 1 }."
        )
    for table, key, length in (("light", "pixel_mm", job.light.pixel_mm), ("grid", "voxel_mm", job.grid.voxel_mm)):
        if length >= job.vial.inner_diameter_mm:
            wide = job.vial.inner_diameter_mm
            vial = next(
                (
                    f"{unit}, write inner_diameter_mm = {wide * times:g}"
                    for unit, times in VIAL_IN
                    if 10 * length < wide * times <= 100
                ),
                "",
            )
            or_vial = f" If inner_diameter_mm is in {vial}." if vial else ""
            raise JobError(
                f"{top.inner(table)}: {key} is {length:g}, in mm; the whole vial is {wide:g} mm wide. If {key} is in "
                f"um, write {key} = {length / 1000:g}.{or_vial}"
            )
    if job.tolerance_mm > WIDEST_BAND * job.vial.inner_diameter_mm:
        raise JobError(
            f"{top.inner('design')}: the tolerance is {job.tolerance_mm:g} mm; expected a tenth of the vial's "
            f"{job.vial.inner_diameter_mm:g} mm at most."
        )
    for table, name in _paths(job):
        try:
            job.path(name)
        except JobError as problem:
            raise JobError(f"{top.inner(table)}: {problem}") from None


def _paths(job: Job) -> list[tuple[str, str]]:
    """(table, path) of the files that a job names; Python of one's own has been looked for already."""
    start, result = job.design.start, job.output.result
    found = [("part", part.mesh) for part in job.parts if part.mesh is not None]
    if isinstance(start, Earlier):
        found.append(("design.start", start.result))
    if result is not None:
        found.append(("output", result))
    return found
