"""Preparation of a job: reads and places the part, lays out the grid, builds chords and operator; fails early."""

import dataclasses
import itertools
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import torch

from lightlathe.dose import DoseOperator, Turning
from lightlathe.errors import JobError
from lightlathe.flow.counting import regions_to_keep, voxels
from lightlathe.flow.devices import device_of, require_memory
from lightlathe.flow.lightless import lightless_lines, lightless_mm
from lightlathe.flow.lit import field_of
from lightlathe.flow.operators import absorbers_of, backend_of, in_design, in_motion, optics_of, shadows_of
from lightlathe.flow.settings import left_out
from lightlathe.flow.slabs import Slabs, slabs_of
from lightlathe.flow.solids import Solid, lay_out, load_solids
from lightlathe.flow.through import require_through, spans_of
from lightlathe.flow.wanted import wanted_mesh
from lightlathe.job import Job
from lightlathe.part import ThinReport, conflicts, require_fit, thin_walls
from lightlathe.quantities import Field, FineShape, Optics, Part, Target, TriangleMesh
from lightlathe.support.ranks import ranks

log = logging.getLogger(__name__)

STANDING = "a vial that stands under each image"


@dataclass(frozen=True)
class Setup:
    """A prepared job: everything that is known before the design.

    operator   for a vial that stands still at each image's angle
    in_design  with the stage's motion in few parts, as far as it matters: the design uses this one; see `in_design`
    turning    with the stage's motion: exposure, levels, prediction and certificate use this one
               All give the mean over a turn per unit of incident light, and take the lit columns and rows alone.
    optics     of the projector's whole field
    field      the lit columns and rows in it: see flow/lit.py
    slabs      how many slices are worked on at a time: see flow/slabs.py
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
    slabs: Slabs = Slabs()  # noqa: RUF009, frozen

    @property
    def where(self) -> torch.device:
        """The device on which whole volumes and patterns lie."""
        return self.slabs.where(self.device)

    @property
    def target(self) -> Target:
        """What a loss compares a dose with: on the job's device, in slabs as codes there that give slices alone."""
        return self.part.target(self.where, self.device)

    @property
    def why_in_slabs(self) -> str:
        """Why it goes in slabs, in words."""
        if self.job.design.slab_slices is not None:
            return "slab_slices in [design] asks for slabs"
        if ranks().size > 1:
            return f"{ranks().size} processes share out slabs of slices"
        nz, finer = self.part.grid.shape[2], self.job.grid.finer
        taken = ((self.slabs.design, nz), (self.slabs.dose, nz), (self.slabs.fine, nz * finer))
        if all(slices is None or slices >= of for slices, of in taken):
            return "main memory does not hold all volumes as they are, so they are packed"
        if self.job.design.memory_limit_gb is not None:
            return f"memory_limit_gb = {self.job.design.memory_limit_gb:g} in [design] does not hold all slices at once"
        return "memory does not hold all slices at once"

    def judged_in_smaller_slabs(self) -> "Setup":
        """The same, with half as many slices lit and judged at a time."""
        halves = self.in_smaller_slabs().slabs
        return dataclasses.replace(self, slabs=dataclasses.replace(halves, design=self.slabs.design))

    def in_smaller_slabs(self) -> "Setup":
        """The same, with half as many slices at a time."""
        nz, finer = self.part.grid.shape[2], self.job.grid.finer
        design, dose = (-(-(now or nz) // 2) for now in (self.slabs.design, self.slabs.dose))
        fine = -(-(self.slabs.fine or nz * finer) // 2)
        smaller = Slabs(design, dose, fine, self.slabs.limit_bytes)
        return dataclasses.replace(self, part=self.part.to("cpu"), slabs=smaller)

    @cached_property
    def wanted(self) -> TriangleMesh | None:
        """The surface of the part: see flow/wanted.py."""
        return wanted_mesh(self.solids)

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
                around = plain.optics.shadows, plain.optics.absorbers
                optics = optics_of(self.job, offset, *around).lit(self.field)
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
        finer = self.part.grid.finer(self.job.grid.finer)
        part = voxels(self.job, self.solids, finer, self.device, self.slabs.fine, covered=False)
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
    slabs = slabs_of(job, grid, field, device)
    if slabs.dose is None:
        for where in (torch.device("cpu"), device):  # the record lies in main memory
            require_memory(grid, where, job.turn.angles * field.lit_pixels)
    part = voxels(job, solids, grid, device, slabs.dose)
    if thin is None:
        inserts = [s.form for s in solids if s.role == "insert"]
        thin = [thin_walls(s.form, grid, inserts) for s in solids if s.role == "part"]
    for found in thin:
        said += found.warnings
    said += conflicts(part.coverage, regions_to_keep(solids, grid, device, slabs.dose))
    radius_mm = job.vial.radius_mm
    optics = optics_of(job, shadows=shadows_of(part, radius_mm), absorbers=absorbers_of(part, radius_mm))
    require_through(spans_of(solids), optics, grid)
    operator = DoseOperator(optics.lit(field), grid, backend_of(job, device, dtype))
    said += [*lightless_lines(lightless_mm(operator.optics, part)), *left_out(job)]
    if slabs.design is not None and getattr(job.design.stop, "wrong_voxels", None) is not None:
        said.append("The design goes slab by slab, where the rule wrong_voxels of stop in [design] is not looked at.")
    if slabs.design is not None and operator.row_of_slice is None and job.design.rounding_iterations:
        said.append(
            "The design goes slab by slab and its slices share rows of pixels: levels are the nearest ones, and "
            "rounding_iterations in [design] is not looked at."
        )
    for_design, turning = in_design(job, operator, part), in_motion(job, operator, part)
    return Setup(job, device, dtype, solids, part, operator, for_design, turning, optics, field, tuple(said), slabs)
