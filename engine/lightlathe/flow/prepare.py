"""Preparation of a job: reads and places the part, lays out the grid, builds chords and operator; fails early."""

import dataclasses
import itertools
import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import torch

from lightlathe.dose import Backend, Directions, DoseOperator, Turning, few_parts, substeps
from lightlathe.dose.footprint import misplaced
from lightlathe.dose.resample import FINEST
from lightlathe.errors import JobError
from lightlathe.flow.devices import device_of, require_memory
from lightlathe.flow.lightless import lightless_lines, lightless_mm
from lightlathe.flow.lit import chords_of, field_of
from lightlathe.flow.recorded import left_out
from lightlathe.flow.solids import Solid, lay_out, load_solids, voxels
from lightlathe.job import Job
from lightlathe.part import ThinReport, conflicts, coverage, require_fit, thin_walls
from lightlathe.quantities import Field, FineShape, Footprint, Grid, Optics, Part, Shadows

log = logging.getLogger(__name__)

STANDING = "a vial that stands under each image"
# Of light that a bare vial turns, views half a pixel or voxel apart at the part's reach, and two for each image at
# least: on quickstart.toml in air, in pixels of 0.16 mm and 160 images, one gives a window of 0.06, two 0.20, three
# 0.20 and six 0.20; with 90 images 0 (IoU 0.99), 0.13, 0.15 and 0.16; with 240 0.19, 0.22, 0.23 and 0.23
IMAGE_VIEWS = 2
# Bins for each column, at most. There, in a thin wall, one gives a dose 1.6 % (rms) and a window 0.07 off those of
# light followed to every voxel, two 0.7 % and 0.02, three 0.6 % and 0.008, four the same; with a wall of 1 mm 0.8 % and
# 0.012, 0.3 % and 0.003, 0.2 % and 0.000. Designed with three the window is 0.26 instead of 0.22.
COLUMN_BINS = 3
FEW_BINS = 0.05  # of a pixel's light: a blur of 1 pixel and more. See benchmarks/QUALITY.md, "Square pixels and blur"


@dataclass(frozen=True)
class Setup:
    """A prepared job: everything that is known before the design.

    operator   for a vial that stands still at each image's angle
    in_design  with the stage's motion in few parts, as far as it matters: the design uses this one; see `in_design`
    turning    with the stage's motion: exposure, levels, prediction and certificate use this one
               All give the mean over a turn per unit of incident light, and take the lit columns and rows alone.
    optics     of the projector's whole field
    field      the lit columns and rows in it: see flow/lit.py
    """

    job: Job
    device: torch.device
    dtype: torch.dtype
    solids: tuple[Solid, ...]
    part: Part
    operator: DoseOperator
    in_design: DoseOperator | Turning
    turning: DoseOperator | Turning
    optics: Optics
    field: Field
    warnings: tuple[str, ...]

    @cached_property
    def lightless_mm(self) -> list[float]:
        """Heights of the slices of the part that no light reaches: see flow/lightless.py."""
        return lightless_mm(self.operator.optics, self.part)

    @property
    def design_parts(self) -> int:
        """Into how many parts the design cuts each image's step; 1 where it takes the vial to stand still."""
        if isinstance(self.in_design, Turning):
            return self.in_design.parts
        return self.in_design.directions.parts if self.in_design.directions.moving else 1

    @property
    def design_views(self) -> int:
        """How many views of each image the design takes: its parts, or those that refracted light is sorted into."""
        if isinstance(self.in_design, Turning):
            return self.in_design.parts
        return len(self.in_design.directions.offsets) if self.in_design.rebinned else 1

    @property
    def design_vial(self) -> str:
        """The vial that the design assumes, in words."""
        parts = self.design_parts
        return STANDING if parts == 1 else f"a vial that turns during each image, in {parts} parts"

    @cached_property
    def scenarios(self) -> list[tuple[DoseOperator, float]]:
        """(operator, factor on its dose) of each scenario of the job: the plain case, and all in [design.robust].

        Of a vial that stands still at each image's angle.
        A resin that absorbs more also takes up more of the light that arrives, so its dose grows with its absorption.
        """
        plain, robust = self.operator, self.job.design.robust
        found: list[tuple[DoseOperator, float]] = []
        if robust is None or not all(0 in values for values in dataclasses.astuple(robust)):
            found.append((plain, 1.0))
        if robust is None:
            return found
        for percent, offset in itertools.product(robust.absorption_percent, robust.axis_offset_mm):
            factor = 1 + percent / 100
            if not 0.01 <= factor <= 100:
                raise JobError(f"absorption_percent in [design.robust] is {percent}; expected -99 to 9900.")
            operator = plain
            if percent or offset:
                optics = optics_of(self.job, offset, plain.optics.shadows).lit(self.field)
                optics = optics.replace(absorption_per_mm=optics.absorption_per_mm * factor)
                backend = plain.backend if not offset else backend_of(self.job, self.device, self.dtype)
                operator = DoseOperator(optics, plain.grid, backend, gain=plain.gain)
            found += [(operator, factor * (1 + dose / 100)) for dose in robust.dose_percent]
        return found

    @cached_property
    def turning_scenarios(self) -> list[tuple[DoseOperator | Turning, float]]:
        """The same with the stage's motion."""
        return self._scenarios_of(self.turning)

    @cached_property
    def design_scenarios(self) -> list[tuple[DoseOperator | Turning, float]]:
        """The same with as much of the motion as the design takes into account."""
        return self._scenarios_of(self.in_design)

    def _scenarios_of(self, plain: DoseOperator | Turning) -> list[tuple[DoseOperator | Turning, float]]:
        """The scenarios in the motion of an operator of the plain case."""
        made = {id(self.operator): plain}
        for operator, _ in self.scenarios:
            if id(operator) not in made:
                made[id(operator)] = (
                    plain.like(operator) if isinstance(plain, Turning) else operator.towards(plain.directions)
                )
        return [(made[id(operator)], scale) for operator, scale in self.scenarios]

    @cached_property
    def fine(self) -> FineShape | None:
        """The true shape on voxels `finer` times finer; None where the job leaves that out. Made at first use."""
        if self.job.grid.finer == 1:
            return None
        part = voxels(self.job, self.solids, self.part.grid.finer(self.job.grid.finer), self.device)
        whole = part.judged if part.whole is None else part.whole
        return FineShape(part.grid, whole, None if part.whole is None else part.judged)


def prepare(
    job: Job,
    loaded: tuple[tuple[Solid, ...], list[str]] | None = None,
    thin: Sequence[ThinReport] | None = None,
) -> Setup:
    """Read and place the part, lay the grid, fill the chords; raises before any long work starts.

    loaded   what `load_solids` gave, where the meshes have been read already
    thin     what `feasibility.thinnest` found of its parts, where that is known already
    """
    device, dtype = device_of(job), torch.float64 if job.design.precision == "double" else torch.float32
    job.load()
    solids, said = loaded or load_solids(job)
    layout = lay_out(job, solids)
    grid = layout.grid
    for solid, report in zip(solids, layout.fits, strict=True):
        if solid.role == "part":
            require_fit(report)
        said += [*(f"{solid.role}: {problem}" for problem in report.problems), *report.notes]
    field = field_of(job, solids, grid)
    require_memory(grid, device, job.turn.angles * field.lit_pixels)
    part = voxels(job, solids, grid, device)
    if thin is None:
        inserts = [s.form for s in solids if s.role == "insert"]
        thin = [thin_walls(s.form, grid, inserts) for s in solids if s.role == "part"]
    for found in thin:
        said += found.warnings
    said += conflicts(part.coverage, [coverage(s.form, grid, device=device) for s in solids if s.role == "keep_liquid"])
    optics = optics_of(job, shadows=shadows_of(part, job.vial.radius_mm))
    operator = DoseOperator(optics.lit(field), grid, backend_of(job, device, dtype))
    said += [*lightless_lines(lightless_mm(operator.optics, part)), *left_out(job)]
    for_design, turning = in_design(job, operator, part), in_motion(job, operator, part)
    return Setup(job, device, dtype, solids, part, operator, for_design, turning, optics, field, tuple(said))


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
    operator = with_few_bins(operator)
    if not moving:
        return operator
    step_rad = 2 * math.pi / operator.pattern_shape[0]
    parts = few_parts(step_rad, part.reach_mm, job.light.pixel_mm)
    log.info("each of %d images: its step in %d parts for the design", operator.pattern_shape[0], parts)
    return operator if parts == 1 else Turning(operator, parts, matched=True)


def with_few_bins(operator: DoseOperator) -> DoseOperator:
    """The operator of a design on a card, with one bin a column where that will do, as the fast kernel takes no finer
    ones. On CPUs the operator itself.
    """
    optics = operator.optics
    few = few_bins(optics.footprint)
    if operator.device.type != "cuda" or few is None or optics.defocus is not None or operator.rebinned:
        return operator
    log.info("pixels in one bin for the design, which misplaces %.1f %% of their light", 100 * misplaced(few, 1))
    return DoseOperator(optics.replace(footprint=few), operator.grid, operator.backend, gain=operator.gain)


def few_bins(pixel: Footprint) -> Footprint | None:
    """A footprint in one bin a column, where that misplaces FEW_BINS of its light at most; None where it is more, or
    nothing.
    """
    return None if pixel.plain or misplaced(pixel, 1) > FEW_BINS else dataclasses.replace(pixel, bins=1)


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
    return None if part.opaque is None else Shadows.of(part.opaque, part.grid, radius_mm)


def optics_of(job: Job, axis_offset_mm: float = 0.0, shadows: Shadows | None = None) -> Optics:
    """The optics of a job and its projector's whole field, chords in the order in which the projector shows its images;
    the only place that makes them.

    axis_offset_mm   how far the projector's middle column misses the turning axis, before the light enters the vial,
                     beyond the axis_offset_pixels of the job
    shadows          of what is opaque in the vial
    """
    angle_rad = torch.arange(job.turn.angles, dtype=torch.float64) * job.turn.step_rad
    chords = chords_of(job.light, job.vial, job.resin, angle_rad, axis_offset_mm)
    light = job.light
    absorption = job.resin.absorption_per_mm
    defocus = light.defocus(job.resin.refractive_index)
    return Optics(
        chords,
        job.vial.radius_mm,
        absorption,
        footprint=light.footprint,
        illumination=light.relative_irradiance,
        defocus=defocus,
        shadows=shadows,
    )
