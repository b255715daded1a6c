"""Prediction of a print: as designed, or under other assumptions."""

import dataclasses
import math
from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any, Literal

import torch
from torch import Tensor

from lightlathe.dose import DoseOperator, Turning, gain_mj_cm3
from lightlathe.errors import JobError
from lightlathe.families import Resin
from lightlathe.families.linear_map import doses
from lightlathe.flow.assumed import with_light, with_vial
from lightlathe.flow.operators import in_motion, optics_of, shadows_of
from lightlathe.flow.recorded import job_of, lit_as_stored
from lightlathe.flow.slabs import Slabs, slabs_of
from lightlathe.judge import quality, quality_of
from lightlathe.judge.level_set import Crossings
from lightlathe.judge.order import slabs as in_layers
from lightlathe.judge.surface_distance import MOST_MET, crossings_of, surface_figures, wanted_surface
from lightlathe.quantities import FineShape, Part, Prediction, TriangleMesh
from lightlathe.result import Record
from lightlathe.support.watching import doing, step


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
    levels: Tensor,
    part: Part,
    fine: FineShape | None,
    resin: Resin,
    slabs: Slabs = Slabs(),  # noqa: B008, frozen
    wanted: TriangleMesh | None = None,
) -> Prediction:
    """The print of levels 0..1 of full irradiance, on the operator's device; in slabs, in main memory.

    turning   mJ/cm3 of the whole exposure, in the motion that the stage makes
    fine      the print is judged on this grid as well
    resin     as it is after the exposure
    slabs     how many slices are lit at a time; `levels`, `part` and `fine` may then lie in main memory
    wanted    the part's surface, with which the print's is compared; where None, that of the part's voxels

    Figures without suffix are of the part's own voxels, `_fine` of the whole shape on the finer grid. Where a tolerance
    band is left out, `_whole` are of the own voxels without it, `_fine_judged` of the finer grid with it. Distances of
    surfaces come from the finest grid alone, and are of the whole shape.
    """
    if slabs.dose is None:
        dose = turning(levels.to(turning.device))
        solid, figures = resin.solid(dose), figures_of(dose, part, resin)
        if part.whole is not None:
            figures |= figures_of(dose, dataclasses.replace(part, judged=part.whole), resin, "_whole")
    else:
        dose = torch.empty(turning.dose_shape, dtype=turning.dtype)
        on_own = {"": part.judged, "_whole": part.whole}
        solid, figures = _in_slabs(turning, levels, on_own, resin, slabs.dose, dose)
    gel = resin.gel_mj_cm3 if resin.liquid_below_mj_cm3 > 0 else 0.0
    fine_solid = None
    if fine is None:
        surface = crossings_of(dose, gel, part)
    elif slabs.fine is not None:
        on_fine, passed = {"_fine": fine.judged, "_fine_judged": fine.banded}, Crossings(gel, fine.grid, MOST_MET)
        fine_solid, found = _in_slabs(turning.on(fine.grid), levels, on_fine, resin, slabs.fine, surface=passed)
        surface = passed.points()
        figures |= found
    else:
        fine_dose = turning.on(fine.grid)(levels.to(turning.device))
        figures |= figures_of(fine_dose, fine, resin, "_fine")
        if fine.banded is not None:
            banded = dataclasses.replace(fine, judged=fine.banded)
            figures |= figures_of(fine_dose, banded, resin, "_fine_judged")
        fine_solid, surface = resin.solid(fine_dose), crossings_of(fine_dose, gel, fine)
    figures |= surface_figures(surface, wanted_surface(part, wanted), "" if fine is None else "_fine")
    return Prediction(dose, solid, figures, fine_solid)


def whole_dose(turning: DoseOperator | Turning, levels: Tensor, slices: int | None) -> Tensor:
    """(x, y, z) the dose; in main memory where it is computed in slabs."""
    if slices is None:
        return turning(levels.to(turning.device))
    whole = torch.empty(turning.dose_shape, dtype=turning.dtype)
    for taken, dose in doses(turning, levels, slices):
        whole[:, :, taken] = dose.cpu()
        step(taken.stop, whole.shape[2])
    return whole


def _in_slabs(
    turning: DoseOperator | Turning,
    levels: Tensor,
    wanted: Mapping[str, Tensor | None],
    resin: Resin,
    slices: int,
    held: Tensor | None = None,
    surface: Crossings | None = None,
) -> tuple[Tensor, dict[str, float]]:
    """What turns solid, in main memory, and the figures by what is judged, for each suffix.

    held   (x, y, z) in main memory, to be filled with the dose; None: the dose is never held whole, and computed anew
           for each look at it
    surface   gets the dose too, with what is judged first
    """
    solid, filled = torch.empty(turning.dose_shape, dtype=torch.bool), False
    first = next(judged for judged in wanted.values() if judged is not None)

    def slabs() -> Iterator[tuple[slice, Tensor]]:
        nonlocal filled
        if filled and held is not None:
            for start in range(0, held.shape[2], slices):
                taken = slice(start, min(start + slices, held.shape[2]))
                yield taken, held[:, :, taken].to(turning.device)
            return
        for taken, dose in doses(turning, levels, slices):
            if held is not None:
                held[:, :, taken] = dose.cpu()
            if not filled:
                solid[:, :, taken] = resin.solid(dose).cpu()
                if surface is not None:
                    surface.add(dose, first[:, :, taken])
            step(taken.stop, solid.shape[2])
            yield taken, dose
        filled = True

    def pieces(judged: Tensor) -> Iterator[tuple[Tensor, ...]]:
        for taken, dose in slabs():
            yield from in_layers(dose, resin.solid(dose), judged[:, :, taken].to(dose.device))

    figures = {}
    for suffix, judged in wanted.items():
        if judged is not None:
            below, above = resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3
            of = partial(pieces, judged)
            figures |= quality_of(of, liquid_below_mj_cm3=below, solid_above_mj_cm3=above, suffix=suffix)
    return solid, figures


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

    resin            another member of RESINS, or one of your own; the record's own where None
    exposure_s       exposure time, s, spread evenly over the images; the planned one where None
    axis_offset_mm   how far the projector's middle column misses the turning axis, beyond the job's axis_offset_pixels
    axis_tilt_deg    of the axis in the picture, beyond the job's axis_tilt_deg
    sense            how the vial actually turns, "clockwise" or "counterclockwise" seen from above
    motion           whether it keeps turning while an image is shown; as the record's job says where None
    vial             other keys of [vial]: surroundings, wall_mm, wall_index; None where a key is to be left out
    light            other keys of [light], those in flow/assumed.py; likewise. Also throw_ratio: that of the beam,
                     math.inf for parallel light
    insert_offset_mm how far opaque inserts stand from their place, along x and y; what is judged stays as it was
    finer            judge on the record's finer grid too, where it holds one; takes some ten times as long
    run_own          see job_of
    Raises JobError for values that cannot be, ResultError for what the record's file does not hold (flow/recorded.py)
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
    resin = resin or job.resin
    patterns = record.patterns
    exposure = patterns.exposure_s if exposure_s is None else exposure_s
    if not (math.isfinite(exposure) and exposure > 0):
        raise JobError(f"the exposure is {exposure} s; expected a time above 0.")
    if not math.isfinite(axis_offset_mm):
        raise JobError(f"axis_offset_mm is {axis_offset_mm}; expected a length in mm.")
    mirrored = sense is not None and sense != job.turn.sense
    angle_rad = -patterns.angle_rad if mirrored else patterns.angle_rad
    shadows = shadows_of(record.part, record.vial_radius_mm)
    if any(insert_offset_mm):
        if shadows is None or not all(map(math.isfinite, insert_offset_mm)):
            raise JobError(
                f"the insert is off by {insert_offset_mm} mm; expected two lengths, and a result with an opaque insert."
            )
        shadows = shadows.moved(*insert_offset_mm)
    optics = optics_of(dataclasses.replace(job, resin=resin), axis_offset_mm, shadows)
    optics = optics.lit(patterns.field).replace(angle_rad=angle_rad, vial_radius_mm=record.vial_radius_mm)
    gain = gain_mj_cm3(resin.absorption_per_mm, patterns.irradiance_mw_cm2, exposure / len(patterns.angle_rad))
    operator = DoseOperator(optics, record.part.grid, gain=gain)
    turning = in_motion(job, operator, record.part)
    here = dataclasses.replace(job.design, memory_limit_gb=None, slab_slices=None)  # theirs are of the design's device
    slabs = slabs_of(dataclasses.replace(job, design=here), record.part.grid, patterns.field, torch.device("cpu"))
    fine = record.fine if finer else None
    return printed(turning, patterns.fractions(), record.part, fine, resin.at(exposure), slabs, record.wanted)
