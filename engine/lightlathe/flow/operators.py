"""The dose operators of a job: its optics, the stage's motion, and what a design makes of both."""

import dataclasses
import logging
import math

import torch

from lightlathe.beams import RoundVial, Telecentric
from lightlathe.dose import Backend, Directions, DoseOperator, Turning, few_parts, substeps
from lightlathe.dose.to_views import FINEST
from lightlathe.errors import JobError
from lightlathe.flow.lit import chords_of
from lightlathe.job import Job
from lightlathe.job.lit_space import is_bare
from lightlathe.quantities import Absorber, Astigmatism, Chords, Defocus, Grid, Optics, Part, Shadows, unpacked_from
from lightlathe.quantities.defocus import cone

log = logging.getLogger(__name__)

# Of light that a bare vial turns, views half a pixel or voxel apart at the part's reach, and two for each image at
# least: on quickstart.toml in air, in pixels of 0.16 mm and 160 images, one gives a window of 0.06, two 0.20, three
# 0.20 and six 0.20; with 90 images 0 (IoU 0.99), 0.13, 0.15 and 0.16; with 240 0.19, 0.22, 0.23 and 0.23
IMAGE_VIEWS = 2
# Bins for each column, at most. There, in a thin wall, one gives a dose 1.6 % (rms) and a window 0.07 off those of
# light followed to every voxel, two 0.7 % and 0.02, three 0.6 % and 0.008, four the same; with a wall of 1 mm 0.8 % and
# 0.012, 0.3 % and 0.003, 0.2 % and 0.000. Designed with three the window is 0.26 instead of 0.22.
COLUMN_BINS = 3


def in_motion(job: Job, operator: DoseOperator, part: Part) -> DoseOperator | Turning:
    """The operator with the motion of the job's stage: see [turn] motion."""
    moving = job.turn.motion == "continuous"
    if not operator.rebinned:
        return Turning(operator, _steps(job, job.light.pixel_mm, part)) if moving else operator
    column_mm = _column_mm(operator)
    return Turning(operator, _steps(job, column_mm, part), moving, column_bins(column_mm, job.grid.voxel_mm))


def in_design(job: Job, operator: DoseOperator, part: Part) -> DoseOperator | Turning:
    """The operator that a design uses: the motion of the job's stage in few parts, where it moves the part's edge far
    enough to matter; else that of a vial that stands still. `operator` may have more images than the job.

    Rebinned light has more views and bins than images and columns, whether the vial moves or not.
    """
    moving = job.turn.motion == "continuous"
    if operator.rebinned:
        column_mm = _column_mm(operator)
        views, finer = image_views(_steps(job, column_mm, part)), column_bins(column_mm, job.grid.voxel_mm)
        return operator.towards(Directions.even(views, moving, finer))
    if not moving:
        return operator
    step_rad = 2 * math.pi / operator.pattern_shape[0]
    parts = few_parts(step_rad, part.reach_mm, job.light.pixel_mm)
    log.info("each of %d images: its step in %d parts for the design", operator.pattern_shape[0], parts)
    return operator if parts == 1 else Turning(operator, parts, matched=True)


def on_coarser(operator: DoseOperator | Turning, grid: Grid) -> DoseOperator | Turning:
    """The operator of a design on coarser voxels, whose rebinned light needs no more bins than they do."""
    if isinstance(operator, DoseOperator) and operator.rebinned:
        finer = column_bins(_column_mm(operator), grid.voxel_mm)
        operator = operator.towards(dataclasses.replace(operator.directions, finer=finer))
    return operator.on(grid)


def image_views(steps: int) -> int:
    """Views for each image of rebinned light in a design, for the substeps that a prediction takes."""
    return max(IMAGE_VIEWS, math.ceil(steps / 2))


def column_bins(column_mm: float, voxel_mm: float) -> int:
    """Bins for each column of rebinned light, `column_mm` apart in the resin."""
    return max(1, min(COLUMN_BINS, int(FINEST * column_mm / voxel_mm)))


def _column_mm(operator: DoseOperator) -> float:
    offset = operator.optics.chords.offset_mm
    return float(offset[-1] - offset[0]) / (len(offset) - 1)


def _steps(job: Job, column_mm: float, part: Part) -> int:
    return substeps(job.turn.step_rad, part.reach_mm, column_mm, job.grid.voxel_mm)


def backend_of(job: Job, device: torch.device, dtype: torch.dtype) -> Backend:
    """The backend of a job's operators."""
    return Backend(job.design.kernel, device, dtype, "half" if job.design.precision == "half" else "single")


def shadows_of(part: Part, radius_mm: float) -> Shadows | None:
    """The shadows of what is opaque in a part's vial; None where nothing is."""
    return None if part.opaque is None else Shadows.of(unpacked_from(part.opaque), part.grid, radius_mm)


def absorbers_of(part: Part, radius_mm: float) -> tuple[Absorber, ...]:
    """The inserts in a part's vial whose absorption is given."""
    found = [
        Absorber.of(unpacked_from(each.covered), part.grid, radius_mm, each.absorption_per_mm)
        for each in part.absorbing
    ]
    return tuple(absorber for absorber in found if absorber is not None)


def defocus_of(job: Job, chords: Chords) -> Defocus | Astigmatism | None:
    """How light of a job widens out of focus: alike across and along in a matched bath, apart behind a bare vial.

    Raises JobError for a bare vial with light from a lens nearby, or with a picture in focus beside the axis.
    """
    light, index, layers = job.light, job.resin.refractive_index, RoundVial.of(job.vial, job.resin)
    if light.numerical_aperture is None or not is_bare(job.vial, job.resin):
        return light.defocus(index)
    told = f"numerical_aperture is {light.numerical_aperture:g} and the vial stands in {job.vial.surroundings!r}"
    if not isinstance(light.beam, Telecentric):
        raise JobError(
            f"{told}, before light that is not telecentric: a bare vial is a lens, which brings light into focus "
            "elsewhere across the axis than along it, and that is computed for telecentric light alone. Expected "
            'beam = "telecentric", a matched bath, or, in place of the aperture, blur_mm for a blur that is the same '
            "all over the vial."
        )
    if light.focus_mm:
        raise JobError(
            f"{told}, and focus_mm is {light.focus_mm:g}: behind a bare vial light is computed for a picture that is "
            "in focus on the plane of the turning axis without the vial. Expected focus_mm = 0, and the picture put "
            "there before the vial is; or a matched bath."
        )
    aperture = light.numerical_aperture
    focus_mm = layers.focus_along_mm(chords.offset_mm / layers.narrowing)
    return Astigmatism(cone(aperture, index), focus_mm, cone(aperture, layers.outside) / 2)


def optics_of(
    job: Job, axis_offset_mm: float = 0.0, shadows: Shadows | None = None, absorbers: tuple[Absorber, ...] = ()
) -> Optics:
    """The optics of a job and its projector's whole field, chords in the order in which the projector shows its images;
    the only place that makes them.

    axis_offset_mm   how far the projector's middle column misses the turning axis, before the light enters the vial,
                     beyond the axis_offset_pixels of the job
    shadows          of what is opaque in the vial
    absorbers        what dims light in it
    """
    angle_rad = torch.arange(job.turn.angles, dtype=torch.float64) * job.turn.step_rad
    chords = chords_of(job.light, job.vial, job.resin, angle_rad, axis_offset_mm)
    light = job.light
    absorption = job.resin.absorption_per_mm
    return Optics(
        chords,
        job.vial.radius_mm,
        absorption,
        footprint=light.footprint,
        illumination=light.relative_irradiance,
        defocus=defocus_of(job, chords),
        shadows=shadows,
        absorbers=absorbers,
        tilt=light.tilt(axis_offset_mm),
    )
