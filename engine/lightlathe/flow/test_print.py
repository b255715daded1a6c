"""A plain test print, of one picture that stands while the vial turns: what its size says of threshold and blur.

A strip |s| < a shown from all sides leaves an even dose within a and (2 / pi) asin(a / r) of it beyond, so the printed
radius grows with the exposure: a / sin(pi tau / 2) where the threshold is tau of the dose in the middle. Absorption and
blur change that by little; here the dose operator computes it for the job's own light.
"""

import dataclasses
import math
from dataclasses import dataclass

import torch

from lightlathe.dose import DoseOperator, gain_mj_cm3
from lightlathe.flow.operators import optics_of
from lightlathe.job import Job
from lightlathe.quantities import Grid

# exposures, over that at which the middle just turns solid, of a disc that is wide or narrow beside the blur
TIMES = {True: (0.9, 1.05, 1.2, 1.5, 2.0), False: (1.2, 1.5, 2.0, 3.0, 4.0)}
WIDE = 8  # columns
BLURS = (0.0, 1.0, 2.0)  # pixels, full width at half maximum
IMAGES = 360  # of the turn: the picture stands all the time
ACROSS = 401  # voxels across the vial


@dataclass(frozen=True)
class TestPrint:
    """What a strip of light prints.

    columns      width of the strip
    exposure_s   at which its middle just turns solid
    times        exposures over that
    diameter_mm  (blur, exposure) for BLURS and times; 0 where nothing turns solid
    """

    columns: int
    exposure_s: float
    times: tuple[float, ...]
    diameter_mm: tuple[tuple[float, ...], ...]


def disc_print(job: Job, columns: int, axis_column: float) -> TestPrint:
    """The printed diameter of a strip of so many columns about the axis, for this job's resin and light.

    Raises JobError as the beam and the resin do.
    """
    widths, exposure, all_times = [], math.nan, TIMES[columns >= WIDE]
    for blur in BLURS:
        light = dataclasses.replace(
            job.light, pixel_shape=job.light.pixel_shape or "square", blur_mm=blur * job.light.pixel_mm
        )
        profile, radius, per_s = _profile(dataclasses.replace(job, light=light), columns, axis_column)
        if math.isnan(exposure):
            exposure = _first_s(job, float(profile[0]) * per_s)
        row = []
        for times in all_times:
            time = times * exposure
            row.append(2 * _reached(profile * per_s * time, radius, job.resin.at(time).gel_mj_cm3))
        widths.append(tuple(row))
    return TestPrint(columns, exposure, all_times, tuple(widths))


def _first_s(job: Job, per_s: float) -> float:
    """When a dose that grows by `per_s` mJ/cm3 a second reaches the gel dose, which may depend on the time."""
    time = job.resin.at(1.0).gel_mj_cm3 / per_s
    for _ in range(50):
        time = job.resin.at(time).gel_mj_cm3 / per_s
    return time


def _reached(dose: torch.Tensor, radius: torch.Tensor, gel: float) -> float:
    """How far from the axis the dose last reaches the gel dose, linearly between voxels; 0 where it never does."""
    solid = (dose >= gel).nonzero().flatten()
    if not len(solid):
        return 0.0
    last = int(solid[-1])
    if last + 1 == len(dose):
        return float(radius[last])
    share = float((dose[last] - gel) / (dose[last] - dose[last + 1]))
    return float(radius[last]) + share * float(radius[last + 1] - radius[last])


def _profile(job: Job, columns: int, axis_column: float) -> tuple[torch.Tensor, torch.Tensor, float]:
    """(voxel,) relative dose from the axis outwards, its radius in mm, and mJ/cm3 a second for 1."""
    job = dataclasses.replace(job, turn=dataclasses.replace(job.turn, angles=IMAGES))
    voxel_mm = 2 * job.vial.radius_mm / ACROSS
    optics = optics_of(job)
    optics = optics.replace(
        rows=1, row_mm=voxel_mm, footprint=optics.footprint.within_rows(), illumination=None, tilt=None
    )
    spread = optics.chords.magnification
    if spread is not None:  # the slice at the pupil's height, which stays in its row
        optics = optics.replace(magnification=dataclasses.replace(spread, pupil_z_mm=0.0))
    operator = DoseOperator(optics, Grid((ACROSS, ACROSS, 1), voxel_mm))
    away = (torch.arange(job.light.columns) - axis_column).abs()
    levels = torch.zeros(operator.pattern_shape)
    levels[:, away <= (columns - 1) / 2 + 0.25] = 1
    dose = operator(levels)[ACROSS // 2 :, ACROSS // 2, 0]
    radius = torch.arange(len(dose)) * voxel_mm
    return dose, radius, gain_mj_cm3(job.resin.absorption_per_mm, job.light.irradiance_mw_cm2, 1.0)
