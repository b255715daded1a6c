"""Preparation of a job: reads and places the part, lays out the grid, builds chords and operator; fails early."""

import dataclasses
import itertools
import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import PurePath
from typing import Any

import numpy as np
import torch
from torch import Tensor

from lightlathe.dose import Backend, DoseOperator, Turning, substeps
from lightlathe.errors import JobError, shown
from lightlathe.families import Shape
from lightlathe.flow.recorded import left_out
from lightlathe.job import Job, resolved
from lightlathe.part import (
    FitReport,
    Surface,
    conflicts,
    coverage,
    fit,
    grid_for,
    judge,
    place,
    read_surface,
    require_fit,
    thin_walls,
)
from lightlathe.quantities import FineShape, Grid, Optics, Part
from lightlathe.solve import Earlier
from lightlathe.support.files import sha256_of
from lightlathe.support.memory import free_bytes
from lightlathe.support.own import OwnMember
from lightlathe.support.watching import doing
from lightlathe.support.words import amount

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Solid:
    """One [part] of a job, placed in the vial: a mesh's surface or an analytic shape, and its role."""

    role: str
    form: Surface | Shape
    unit: str | None  # in which a mesh was read
    files: Mapping[str, str] = field(default_factory=dict)  # name in the job -> SHA-256 of what was read


@dataclass(frozen=True)
class Setup:
    """A prepared job: everything that is known before the design.

    operator   for images that stand at their angles: the design uses this one
    turning    with the stage's motion: exposure, levels, prediction and certificate use this one
               Both give the mean over a turn per unit of incident light.
    """

    job: Job
    device: torch.device
    dtype: torch.dtype
    solids: tuple[Solid, ...]
    part: Part
    operator: DoseOperator
    turning: DoseOperator | Turning
    warnings: tuple[str, ...]

    @cached_property
    def scenarios(self) -> list[tuple[DoseOperator, float]]:
        """(operator, factor on its dose) of each scenario of the job: the plain case, and all in [design.robust].

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
                optics = optics_of(self.job, offset)
                optics = optics.replace(absorption_per_mm=optics.absorption_per_mm * factor)
                backend = plain.backend if not offset else backend_of(self.job, self.device, self.dtype)
                operator = DoseOperator(optics, plain.grid, backend, gain=plain.gain)
            found += [(operator, factor * (1 + dose / 100)) for dose in robust.dose_percent]
        return found

    @cached_property
    def turning_scenarios(self) -> list[tuple[DoseOperator | Turning, float]]:
        """The same with the stage's motion."""
        made = {id(self.operator): self.turning}
        for operator, _ in self.scenarios:
            if id(operator) not in made:
                made[id(operator)] = in_motion(self.job, operator, self.part)
        return [(made[id(operator)], scale) for operator, scale in self.scenarios]

    @cached_property
    def fine(self) -> FineShape | None:
        """The true shape on voxels `finer` times finer; None where the job leaves that out. Made at first use."""
        if self.job.grid.finer == 1:
            return None
        part = voxels(self.job, self.solids, self.part.grid.finer(self.job.grid.finer), self.device)
        whole = part.judged if part.whole is None else part.whole
        return FineShape(part.grid, whole, None if part.whole is None else part.judged)


def prepare(job: Job, loaded: tuple[tuple[Solid, ...], list[str]] | None = None) -> Setup:
    """Read and place the part, lay the grid, fill the chords; raises before any long work starts.

    loaded   what `load_solids` gave, where the meshes have been read already
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
    require_memory(grid, device, patterns_of(job))
    part = voxels(job, solids, grid, device)
    inserts = [s.form for s in solids if s.role == "insert"]
    for solid in (s for s in solids if s.role == "part"):
        said += thin_walls(solid.form, grid, inserts).warnings
    said += conflicts(part.coverage, [coverage(s.form, grid, device=device) for s in solids if s.role == "keep_liquid"])
    operator = DoseOperator(optics_of(job), grid, backend_of(job, device, dtype))
    said += left_out(job)
    return Setup(job, device, dtype, solids, part, operator, in_motion(job, operator, part), tuple(said))


def in_motion(job: Job, operator: DoseOperator, part: Part) -> DoseOperator | Turning:
    """The operator with the motion of the job's stage: see [turn] motion."""
    if job.turn.motion == "stepped":
        return operator
    steps = substeps(job.turn.step_rad, part.reach_mm, job.light.pixel_mm, job.grid.voxel_mm)
    return Turning(operator, steps)


@dataclass(frozen=True)
class Layout:
    """The layout: the grid, and how each solid fits the vial and the light."""

    grid: Grid
    fits: tuple[FitReport, ...]


def lay_out(job: Job, solids: tuple[Solid, ...]) -> Layout:
    """The job's grid around its solids, and their clearances; raises nothing where a solid does not fit.

    An insert may be far taller than what is printed on it: the grid holds the rest.
    """
    light, vial = job.light, job.vial
    placed = [s.form for s in solids if s.role != "insert"]
    grid = grid_for(placed, vial.radius_mm, job.grid.voxel_mm, margin_voxels=job.grid.margin_voxels)
    field = (light.columns * light.pixel_mm, light.rows * light.pixel_mm)
    room = (vial.radius_mm, vial.resin_height_mm, *field)
    fits = [fit(s.form, *room, read_as=s.unit, insert=s.role == "insert") for s in solids]
    return Layout(rows_on_slices(grid, light.rows, light.pixel_mm), tuple(fits))


def rows_on_slices(grid: Grid, rows: int, pixel_mm: float) -> Grid:
    """The grid, one slice taller where that puts rows on whole slices: half a row off, every edge would blur."""
    nx, ny, nz = grid.shape
    per_row = round(pixel_mm / grid.voxel_mm)
    whole = abs(per_row * grid.voxel_mm - pixel_mm) < 1e-9 * pixel_mm
    return Grid((nx, ny, nz + 1), grid.voxel_mm) if whole and (nz - rows * per_row) % 2 else grid


def patterns_of(job: Job) -> int:
    """Numbers in one array of the patterns."""
    return job.turn.angles * job.light.columns * job.light.rows


def require_memory(grid: Grid, device: torch.device, patterns: int = 0) -> None:
    """JobError where not even two volumes of the grid or two arrays of `patterns` numbers fit; `lightlathe check`
    estimates the whole design."""
    free, needed = free_bytes(device), 8.0 * grid.voxels
    if 8.0 * patterns > free:
        raise JobError(
            f"all images of a turn take {8e-9 * patterns:.3g} GB twice over, and {free / 1e9:.3g} GB are free on "
            f"{device}.\n  Fewer angles in [turn], or fewer columns and rows in [light], would fit."
        )
    if needed > free:
        larger = grid.voxel_mm * (needed / free) ** (1 / 3) * 2
        raise JobError(
            f"a grid of {' x '.join(str(n) for n in grid.shape)} voxels takes {amount(needed / 1e9, 3)} GB for two "
            f"volumes, and {amount(free / 1e9, 3)} GB are free on {device}.\n  voxel_mm = {amount(larger)} in [grid] "
            "would fit."
        )


def device_of(job: Job) -> torch.device:
    """The job's device; `auto` is a CUDA card if there is one."""
    return device_named(job.design.device, "device in [design]")


def device_named(name: str, where: str) -> torch.device:
    """The device of that name; JobError, naming `where`, if it is unknown or absent."""
    if name == "auto":
        name = "cuda" if torch.cuda.is_available() else "cpu"
    try:
        device = torch.device(name)
    except RuntimeError:
        device = None
    if device is None or device.type not in ("cpu", "cuda"):
        raise JobError(f"{where} is {shown(name)}; expected auto, cpu, cuda or cuda:0.")
    if device.type == "cpu":
        return torch.device("cpu")
    if not torch.cuda.is_available():
        raise JobError(f"{where} is '{name}', but torch sees no CUDA card; expected cpu here.")
    if (device.index or 0) >= torch.cuda.device_count():
        raise JobError(
            f"{where} is '{name}', and torch sees {torch.cuda.device_count()} CUDA card(s), counted from cuda:0."
        )
    return device


def load_solids(job: Job) -> tuple[tuple[Solid, ...], list[str]]:
    """Every [part] read and placed, and the reader's warnings."""
    solids: list[Solid] = []
    said: list[str] = []
    boxes = []
    for table in job.parts:
        if table.mesh is None:
            assert table.shape is not None
            if isinstance(table.shape, OwnMember):
                table.shape.load()
            solids.append(Solid(table.role, table.shape, None))
            continue
        with doing(f"reading {table.mesh}"):
            surface = read_surface(job.path(table.mesh), table.unit)
        said += surface.warnings
        form = place(surface, table.scale, table.rotation_deg, table.lay, centre=False)
        if table.centre:
            boxes.append(form.bounds_mm)
        named = PurePath(table.mesh)
        files = {
            table.mesh if name == named.name else str(named.parent / name): sha256
            for name, sha256 in surface.files.items()
        }
        solids.append(Solid(table.role, form, surface.report.unit, files))
    middle = (np.min(boxes, axis=(0, 1)) + np.max(boxes, axis=(0, 1))) / 2 if boxes else np.zeros(3)
    for n, (table, solid) in enumerate(zip(job.parts, solids, strict=True)):
        if table.mesh is not None:
            assert isinstance(solid.form, Surface)
            moved = solid.form.vertices_mm + (np.asarray(table.shift_mm) - (middle if table.centre else 0))
            solids[n] = dataclasses.replace(solid, form=solid.form.moved(moved))
    return tuple(solids), said


def settings_of(job: Job, solids: tuple[Solid, ...]) -> dict[str, Any]:
    """Every setting of a job, and the SHA-256 of each file that it names: the record of what was designed.

    solids   what `load_solids` gave: a file's SHA-256 is of the bytes that were read, even if it changed since
    Raises   JobError where two parts read one file and it had changed in between
    """
    files: dict[str, str] = {}
    for name, sha256 in (item for solid in solids for item in solid.files.items()):
        if files.setdefault(name, sha256) != sha256:
            raise JobError(f"{name}: changed while the parts of this job were read. Start again.")
    start = job.design.start
    if isinstance(start, Earlier):
        files[start.result] = sha256_of(job.path(start.result))
    files |= {own.name.rpartition(":")[0]: own.source.sha256 for own in job.own}
    return {**resolved(job), "files": files, **sources_of(job)}


def sources_of(job: Job) -> dict[str, dict[str, str]]:
    """The text of each Python file that says what is printed: predicting the print again takes it."""
    found = {own.name.rpartition(":")[0]: own.source.source for own in job.own_of_print}
    texts = {name: source.decode("utf-8-sig", "replace") for name, source in found.items()}
    return {"sources": texts} if texts else {}


@doing("counting voxels")
def voxels(job: Job, solids: tuple[Solid, ...], grid: Grid, device: torch.device) -> Part:
    """The part's covered fractions and what is judged, on any grid of the vial. Parts of one role are a union."""
    forms: dict[str, list[Surface | Shape]] = {"part": [], "insert": [], "keep_liquid": []}
    for solid in solids:
        forms[solid.role].append(solid.form)
    part = coverage(forms["part"], grid, device=device)
    insert = coverage(forms["insert"], grid, device=device) if forms["insert"] else None
    keep_liquid = [coverage(form, grid, device=device) for form in forms["keep_liquid"]]

    def judged(tolerance_mm: float) -> Tensor:
        inserts = [] if insert is None else [insert]
        return judge(part, grid, job.vial.radius_mm, inserts, keep_liquid, tolerance_mm)

    return Part(grid, part, judged(job.tolerance_mm), insert, judged(0.0) if job.tolerance_mm else None)


def backend_of(job: Job, device: torch.device, dtype: torch.dtype) -> Backend:
    """The backend of a job's operators."""
    return Backend(job.design.kernel, device, dtype, "half" if job.design.precision == "half" else "single")


def optics_of(job: Job, axis_offset_mm: float = 0.0) -> Optics:
    """The optics of a job, chords in the order in which the projector shows its images; the only place that makes them.

    axis_offset_mm   how far the projector's middle column misses the turning axis, before the light enters the vial
    """
    angle_rad = torch.arange(job.turn.angles, dtype=torch.float64) * job.turn.step_rad
    light = job.light
    chords = light.beam.chords(
        angle_rad=angle_rad,
        columns=light.columns,
        rows=light.rows,
        pixel_mm=light.pixel_mm,
        axis_offset_mm=axis_offset_mm,
        vial=job.vial,
        resin=job.resin,
    )
    return Optics(chords, job.vial.radius_mm, job.resin.absorption_per_mm)
