"""Prediction of a print: as designed, or under other assumptions."""

import dataclasses
import math
from collections.abc import Mapping
from typing import Any, Literal

import torch
from torch import Tensor

from lightlathe.dose import DoseOperator, Turning, gain_mj_cm3
from lightlathe.errors import JobError, ResultError
from lightlathe.families import Resin
from lightlathe.families.linear_map import doses
from lightlathe.flow.assumed import with_light, with_vial
from lightlathe.flow.operators import absorbers_of, in_motion, optics_of, shadows_of
from lightlathe.flow.print_in_slabs import InSlabs
from lightlathe.flow.recorded import job_of, lit_as_stored
from lightlathe.flow.slabs import Slabs, slabs_of
from lightlathe.flow.through import require_through, spans_in
from lightlathe.judge import light_use, quality
from lightlathe.judge.margins import MARGINS, margins
from lightlathe.judge.quality import light_shares
from lightlathe.judge.surface_distance import crossings_of, surface_figures, wanted_surface
from lightlathe.quantities import FineShape, Light, Packed, Part, Prediction, TriangleMesh
from lightlathe.result import Record
from lightlathe.support.watching import doing, step

OF_THE_DESIGN = ("reachable", "wanted_dose_rms", "wanted_dose_90")  # figures that hold for a print as designed
LOOKED_AT = 64  # slices of a packed result that are lit at a time, where memory would hold more


def figures_of(dose: Tensor, part: Part | FineShape, resin: Resin, suffix: str = "") -> dict[str, float]:
    """The figures of judge/quality.py for this resin at a dose."""
    return quality(
        dose,
        resin.solid(dose),
        part.to(dose.device),
        liquid_below_mj_cm3=resin.liquid_below_mj_cm3,
        solid_above_mj_cm3=resin.solid_above_mj_cm3,
        suffix=suffix,
    )


def printed(
    turning: DoseOperator | Turning,
    levels: Light,
    part: Part,
    fine: FineShape | None,
    resin: Resin,
    slabs: Slabs = Slabs(),  # noqa: B008, frozen
    wanted: TriangleMesh | None = None,
    incident_mj: float | None = None,
) -> Prediction:
    """The print of levels 0..1 of full irradiance, on the operator's device; in slabs, packed in main memory.

    turning   mJ/cm3 of the whole exposure, in the motion that the stage makes
    fine      the print is judged on this grid as well
    resin     as it is after the exposure
    slabs     how many slices are lit at a time; `part` and `fine` may then be packed
    wanted    the part's surface, with which the print's is compared; where None, that of the part's voxels
    incident_mj   of the exposure; adds the figures of `light_use`

    Figures without suffix are of the part's own voxels, `_fine` of the whole shape on the finer grid. Where a tolerance
    band is left out, `_whole` are of the own voxels without it, `_fine_judged` of the finer grid with it. Distances of
    surfaces come from the finest grid alone, and are of the whole shape.
    """
    gel = resin.gel_mj_cm3 if resin.liquid_below_mj_cm3 > 0 else 0.0
    if slabs.dose is None:
        dose = turning(levels.to(turning.device))
        solid, figures = resin.solid(dose), figures_of(dose, part, resin)
        if part.whole is not None:
            figures |= figures_of(dose, dataclasses.replace(part, judged=part.whole), resin, "_whole")
        if incident_mj is not None:
            figures |= light_use(dose, part, incident_mj)
        surface = None
    else:
        own = InSlabs(turning, levels, resin, slabs.dose, part, gel)
        figures = own.figures(part.judged)
        figures |= {} if part.whole is None else own.figures(part.whole, "_whole")
        figures |= {} if incident_mj is None else light_shares(own.in_part, own.in_grid, part.grid, incident_mj)
        dose, solid, surface = own.dose.packed, own.solid.packed, own.surface.points()
    fine_solid = None
    if fine is not None and slabs.fine is not None:
        finely = InSlabs(turning.on(fine.grid), levels, resin, slabs.fine, fine, gel)
        figures |= finely.figures(fine.judged, "_fine")
        figures |= {} if fine.banded is None else finely.figures(fine.banded, "_fine_judged")
        fine_solid, surface = finely.solid.packed, finely.surface.points()
    elif fine is not None:
        fine_dose = turning.on(fine.grid)(levels.to(turning.device))
        figures |= figures_of(fine_dose, fine, resin, "_fine")
        if fine.banded is not None:
            banded = dataclasses.replace(fine, judged=fine.banded)
            figures |= figures_of(fine_dose, banded, resin, "_fine_judged")
        fine_solid, surface = resin.solid(fine_dose), crossings_of(fine_dose, gel, fine)
    elif surface is None:
        surface = crossings_of(dose, gel, part)
    figures |= surface_figures(surface, wanted_surface(part, wanted), "" if fine is None else "_fine")
    return Prediction(dose, solid, figures, fine_solid)


def whole_dose(turning: DoseOperator | Turning, levels: Light, slices: int | None) -> Tensor:
    """(x, y, z) the dose; in main memory where it is computed in slabs."""
    if slices is None:
        return turning(levels.to(turning.device))
    whole = torch.empty(turning.dose_shape, dtype=turning.dtype)
    for taken, dose in doses(turning, levels, slices):
        whole[:, :, taken] = dose.cpu()
        step(taken.stop, whole.shape[2])
    return whole


@doing("predicting the print")
def predict(
    record: Record,
    *,
    resin: Resin | None = None,
    exposure_s: float | None = None,
    axis_offset_mm: float = 0.0,
    axis_tilt_deg: float = 0.0,
    sense: str | None = None,
    motion: Literal["continuous", "stepped"] | None = None,
    vial: Mapping[str, Any] | None = None,
    light: Mapping[str, Any] | None = None,
    insert_offset_mm: tuple[float, float] = (0.0, 0.0),
    finer: bool = True,
    run_own: bool = False,
) -> Prediction:
    """The print of a record's patterns under other assumptions, float32 on the CPU.

    Its figures include the margins of the exposure, so that `judge.outcome_of` says what it says of a design.

    resin            another member of RESINS, or one of your own; the record's own where None
    exposure_s       exposure time, s, spread evenly over the images; the planned one where None
    axis_offset_mm   how far the projector's middle column misses the turning axis, beyond the job's axis_offset_pixels
    axis_tilt_deg    of the axis in the picture, beyond the job's axis_tilt_deg
    sense            how the vial actually turns, "clockwise" or "counterclockwise" seen from above
    motion           whether it keeps turning while an image is shown; as the record's job says where None
    vial             other keys of [vial]: surroundings, wall_mm, wall_index; None where a key is to be left out
    light            other keys of [light], those in flow/assumed.py; likewise. Also throw_ratio: that of the beam,
                     math.inf for parallel light
    insert_offset_mm how far inserts stand from their place, along x and y, where light does not pass them as resin;
                     what is judged stays as it was
    finer            judge on the record's finer grid too, where it holds one; takes some ten times as long
    run_own          see job_of
    Raises JobError for values that cannot be, and for an insert that rays of a lens pass and that ends there
    (flow/through.py), ResultError for what the record's file does not hold (flow/recorded.py)
    """
    job = lit_as_stored(job_of(record, resin, run_own=run_own), record)
    if motion is not None:
        job = dataclasses.replace(job, turn=dataclasses.replace(job.turn, motion=motion))
    if vial is not None:
        job = with_vial(job, vial)
    if light is not None:
        job = with_light(job, light)
    if axis_tilt_deg:
        tilted_deg = job.light.axis_tilt_deg + axis_tilt_deg
        job = dataclasses.replace(job, light=dataclasses.replace(job.light, axis_tilt_deg=tilted_deg))
    given, resin = resin, resin or job.resin
    patterns = record.patterns
    exposure = patterns.exposure_s if exposure_s is None else exposure_s
    if not (math.isfinite(exposure) and exposure > 0):
        raise JobError(f"the exposure is {exposure} s; expected a time above 0.")
    if not math.isfinite(axis_offset_mm):
        raise JobError(f"axis_offset_mm is {axis_offset_mm}; expected a length in mm.")
    mirrored = sense is not None and sense != job.turn.sense
    angle_rad = -patterns.angle_rad if mirrored else patterns.angle_rad
    shadows = shadows_of(record.part, record.vial_radius_mm)
    absorbers = absorbers_of(record.part, record.vial_radius_mm)
    if any(insert_offset_mm):
        if not (shadows or absorbers) or not all(map(math.isfinite, insert_offset_mm)):
            raise JobError(
                f"the insert is off by {insert_offset_mm} mm; expected two lengths, and a result with an insert that "
                "is opaque or has an absorption_per_mm."
            )
        shadows = None if shadows is None else shadows.moved(*insert_offset_mm)
        absorbers = tuple(absorber.moved(*insert_offset_mm) for absorber in absorbers)
    optics = optics_of(dataclasses.replace(job, resin=resin), axis_offset_mm, shadows, absorbers)
    optics = optics.lit(patterns.field).replace(angle_rad=angle_rad, vial_radius_mm=record.vial_radius_mm)
    if optics.chords.magnification is not None:
        require_through(spans_in(record.facts, record.part), optics, record.part.grid)
    gain = gain_mj_cm3(resin.absorption_per_mm, patterns.irradiance_mw_cm2, exposure / len(patterns.angle_rad))
    operator = DoseOperator(optics, record.part.grid, gain=gain)
    turning = in_motion(job, operator, record.part)
    here = dataclasses.replace(job.design, memory_limit_gb=None, slab_slices=None)  # theirs are of the design's device
    cpu = torch.device("cpu")
    slabs = slabs_of(dataclasses.replace(job, design=here), record.part.grid, patterns.field, cpu)
    part, fine = record.part, record.fine if finer else None
    if job.light.rows_spread:  # over all slices: nothing of it can be cut
        part, fine, slabs = part.unpacked(), None if fine is None else fine.unpacked(), Slabs()
    elif slabs.dose is None and isinstance(part.judged, Packed):
        slabs = slabs.at_most(LOOKED_AT, 1, part.grid.shape[2], job.grid.finer)
    levels = patterns.fractions() if slabs.dose is None else patterns.fractions_by_row(torch.float32, cpu)
    found = printed(turning, levels, part, fine, resin.at(exposure), slabs, record.wanted)
    planned = _is_own(given, record) and exposure == patterns.exposure_s and MARGINS[0] in record.quality
    other = (axis_offset_mm, axis_tilt_deg, sense, motion, vial, light, *insert_offset_mm)
    if planned and (not any(other) or _as_designed(found, record)):
        figures = {name: record.quality[name] for name in (*MARGINS, *OF_THE_DESIGN) if name in record.quality}
    else:
        figures = margins(found.quality, exposure, resin)
        if exposure > job.turn.longest_s * (1 + 1e-9):
            figures |= {"reachable": 0.0}
    return dataclasses.replace(found, quality=found.quality | figures)


def _is_own(resin: Resin | None, record: Record) -> bool:
    """Whether a resin is the record's own; of one that its file does not hold nobody knows."""
    if resin is None:
        return True
    try:
        return resin == job_of(record).resin
    except ResultError:
        return False


def _as_designed(found: Prediction, record: Record) -> bool:
    """Whether a print at the planned exposure, of other assumptions, is that of the record: its margins then hold for
    every scenario of a robust design, and its figures of graded parts for this print. (Without other assumptions it is,
    though a card that designed it rounds otherwise than this CPU.)"""
    pairs = ((value, record.quality.get(name, math.nan)) for name, value in found.quality.items())
    return all(math.isclose(a, b, rel_tol=1e-6) or (math.isnan(a) and math.isnan(b)) for a, b in pairs)
