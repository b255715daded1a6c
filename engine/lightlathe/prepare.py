"""A job made ready: part read and placed, grid laid, chords filled, operator chosen; errors before any long work."""

import logging
from dataclasses import dataclass
from typing import Any

import torch

from lightlathe.dose import DoseOperator
from lightlathe.errors import JobError
from lightlathe.job import Job
from lightlathe.part import coverage, fit, grid_for, judge, place, read_surface, require_fit, thin_walls
from lightlathe.quantities import Chords, Grid, Part

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Solid:
    """One [part] of a job in its place: a mesh's surface or an analytic shape, and its role."""

    role: str
    form: Any
    unit: str | None  # in which a mesh was read


@dataclass(frozen=True)
class Setup:
    """A job made ready: everything that is known before any light is designed."""

    job: Job
    device: torch.device
    dtype: torch.dtype
    solids: tuple[Solid, ...]
    part: Part
    chords: Chords
    operator: DoseOperator  # mean over a turn per unit of incident light
    warnings: tuple[str, ...]


def prepare(job: Job, loaded: tuple[tuple[Solid, ...], list[str]] | None = None) -> Setup:
    """Read and place the part, lay the grid, fill the chords; raises before any long work starts.

    loaded   what `load_solids` gave, where the meshes have been read already
    """
    device, dtype = device_of(job), torch.float64 if job.design.precision == "double" else torch.float32
    solids, said = loaded or load_solids(job)
    light, voxel_mm = job.light, job.grid.voxel_mm
    for solid in (s for s in solids if s.role == "part"):
        field = (light.columns * light.pixel_mm, light.rows * light.pixel_mm)
        report = fit(solid.form, job.vial.radius_mm, job.vial.resin_height_mm, *field, read_as=solid.unit)
        require_fit(report)
        said += report.notes
    grid = grid_for([s.form for s in solids], job.vial.radius_mm, voxel_mm, margin_voxels=job.grid.margin_voxels)
    grid = rows_on_slices(grid, light.rows, light.pixel_mm)
    part = voxels(job, solids, grid, device)
    for solid in (s for s in solids if s.role == "part"):
        said += thin_walls(solid.form, grid).warnings
    chords = chords_of(job)
    operator = DoseOperator(
        chords,
        grid,
        vial_radius_mm=job.vial.radius_mm,
        absorption_per_mm=job.resin.absorption_per_mm,
        kernel=job.design.kernel,
        device=device,
        dtype=dtype,
        precision="half" if job.design.precision == "half" else "single",
    )
    return Setup(job, device, dtype, solids, part, chords, operator, tuple(said))


def rows_on_slices(grid: Grid, rows: int, pixel_mm: float) -> Grid:
    """The grid, one slice taller where that puts rows on whole slices: half a row off, every edge would blur."""
    nx, ny, nz = grid.shape
    per_row = round(pixel_mm / grid.voxel_mm)
    whole = abs(per_row * grid.voxel_mm - pixel_mm) < 1e-9 * pixel_mm
    return Grid((nx, ny, nz + 1), grid.voxel_mm) if whole and (nz - rows * per_row) % 2 else grid


def device_of(job: Job) -> torch.device:
    """`auto` takes a CUDA card where there is one; anything else is taken at its word."""
    name = job.design.device
    if name == "auto":
        name = "cuda" if torch.cuda.is_available() else "cpu"
    try:
        device = torch.device(name)
    except RuntimeError:
        raise JobError(f"device in [design] is '{name}'; expected auto, cpu, cuda or cuda:0.") from None
    if device.type == "cuda" and not torch.cuda.is_available():
        raise JobError(f"device in [design] is '{name}', but torch sees no CUDA card; set device = \"cpu\".")
    return device


def load_solids(job: Job) -> tuple[tuple[Solid, ...], list[str]]:
    """Every [part] read and placed, and what the reader had to say."""
    solids, said = [], []
    for table in job.parts:
        if table.mesh is None:
            solids.append(Solid(table.role, table.shape, None))
            continue
        surface = read_surface(job.path(table.mesh), table.unit)
        said += surface.warnings
        form = place(surface, table.scale, table.rotation_deg, table.lay, table.centre, table.shift_mm)
        solids.append(Solid(table.role, form, table.unit))
    return tuple(solids), said


def voxels(job: Job, solids: tuple[Solid, ...], grid: Grid, device: torch.device) -> Part:
    """The part's covered fractions and what is judged, on any grid of the vial. Parts of one role are a union."""
    forms: dict[str, list[Any]] = {"part": [], "insert": [], "keep_liquid": []}
    for solid in solids:
        forms[solid.role].append(solid.form)
    part = coverage(forms["part"], grid, device=device)
    judged = judge(
        part,
        grid,
        job.vial.radius_mm,
        inserts=[coverage(form, grid, device=device) for form in forms["insert"]],
        keep_liquid=[coverage(form, grid, device=device) for form in forms["keep_liquid"]],
        tolerance_mm=job.design.tolerance_mm,
    )
    return Part(grid, part, judged)


def chords_of(job: Job) -> Chords:
    """The chords that the job's beam lights, in the order in which the projector shows its images."""
    angle_rad = torch.arange(job.turn.angles, dtype=torch.float64) * job.turn.step_rad
    light = job.light
    return light.beam.chords(angle_rad=angle_rad, columns=light.columns, rows=light.rows, pixel_mm=light.pixel_mm)
