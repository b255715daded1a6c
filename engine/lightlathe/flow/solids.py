"""The solids of a job: read, placed, laid out in the vial, counted into voxels."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import MeshError, shown
from lightlathe.families import Shape
from lightlathe.job import Job
from lightlathe.judge.ends import move_onto_rows, move_words
from lightlathe.part import (
    FitReport,
    Scaling,
    Surface,
    fit,
    grid_for,
    level_ends,
    matrix_to_vial,
    place,
    read_surface,
)
from lightlathe.quantities import Grid
from lightlathe.support.own import OwnMember
from lightlathe.support.watching import doing


@dataclass(frozen=True)
class Solid:
    """One [part] of a job, placed in the vial: a mesh's surface or an analytic shape, and its role.

    opaque   of an insert: no light enters it
    absorption_per_mm   of an insert that light crosses; None where that is not given
    onto_rows_mm   by how much it was moved along z so that the part's flat ends lie on rows of pixels
    to_vial  (4, 4), of a mesh: from mm in the axes of its file to the vial's frame
    """

    role: str
    form: Surface | Shape
    unit: str | None  # in which a mesh was read
    files: Mapping[str, str] = field(default_factory=dict)  # name in the job -> SHA-256 of what was read
    opaque: bool = False
    to_vial: NDArray[np.float64] | None = None
    absorption_per_mm: float | None = None
    onto_rows_mm: float = 0.0


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
    height_mm = job.height_mm(max((s.form.reach_mm for s in solids if s.role != "insert"), default=0.0))
    room = (vial.radius_mm, vial.resin_height_mm, job.width_mm, height_mm)
    scaling = None
    if len(solids) == 1 and job.parts[0].mesh is not None:  # several are scaled one by one, and centred as one
        x, y, z = job.parts[0].shift_mm
        scaling = Scaling(job.parts[0].scale, (x, y, z), max(light.pixel_mm, 2 * job.grid.voxel_mm))
    fits = [fit(s.form, *room, read_as=s.unit, insert=s.role == "insert", scaling=scaling) for s in solids]
    return Layout(rows_on_slices(grid, light.rows, light.pixel_mm), tuple(fits))


def rows_on_slices(grid: Grid, rows: int, pixel_mm: float) -> Grid:
    """The grid, one slice taller where that puts rows on whole slices: half a row off, every edge would blur."""
    nx, ny, nz = grid.shape
    per_row = round(pixel_mm / grid.voxel_mm)
    whole = abs(per_row * grid.voxel_mm - pixel_mm) < 1e-9 * pixel_mm
    return Grid((nx, ny, nz + 1), grid.voxel_mm) if whole and (nz - rows * per_row) % 2 else grid


def load_solids(job: Job) -> tuple[tuple[Solid, ...], list[str]]:
    """Every [part] read and placed, and the reader's warnings."""
    solids: list[Solid] = []
    read: dict[int, Surface] = {}
    said: list[str] = []
    boxes = []
    for table in job.parts:
        if table.mesh is None:
            assert table.shape is not None
            if isinstance(table.shape, OwnMember):
                table.shape.load()
            light = {"opaque": bool(table.opaque), "absorption_per_mm": table.absorption_per_mm}
            solids.append(Solid(table.role, table.shape, None, **light))
            continue
        with doing(f"reading {table.mesh}"):
            surface = _read(job, table.mesh, table.unit)
        said += surface.warnings
        read[len(solids)] = surface
        form = place(surface, table.scale, table.rotation_deg, table.lay, centre=False)
        if table.centre:
            boxes.append(form.bounds_mm)
        named = PurePath(table.mesh)
        files = {
            table.mesh if name == named.name else str(named.parent / name): sha256
            for name, sha256 in surface.files.items()
        }
        light = {"opaque": bool(table.opaque), "absorption_per_mm": table.absorption_per_mm}
        solids.append(Solid(table.role, form, surface.report.unit, files, **light))
    middle = (np.min(boxes, axis=(0, 1)) + np.max(boxes, axis=(0, 1))) / 2 if boxes else np.zeros(3)
    for n, (table, solid) in enumerate(zip(job.parts, solids, strict=True)):
        if table.mesh is not None:
            assert isinstance(solid.form, Surface)
            moved = solid.form.vertices_mm + (np.asarray(table.shift_mm) - (middle if table.centre else 0))
            solids[n] = dataclasses.replace(solid, form=solid.form.moved(moved))
    move_mm = onto_rows(job, solids)
    said += _stays(job, solids)
    if move_mm is not None and any(table.shift_mm[2] for table in job.parts):
        said.append(
            "the shift_mm of the job puts the part's flat ends between two rows of pixels, where they print up to half "
            f"a row short. Leave the shift along z out, and they are moved onto rows; or: {move_words(move_mm)}."
        )
    elif move_mm is not None:
        solids = [
            dataclasses.replace(solid, form=_along_z(solid.form, move_mm), onto_rows_mm=move_mm) for solid in solids
        ]
    for n, surface in read.items():
        form, table = solids[n].form, job.parts[n]
        assert isinstance(form, Surface)
        to_vial = matrix_to_vial(surface, form, table.scale, table.rotation_deg, table.lay)
        solids[n] = dataclasses.replace(solids[n], to_vial=to_vial)
    return tuple(solids), said


def _read(job: Job, mesh: str, unit: str | None) -> Surface:
    """A mesh of a job. MeshError names the job."""
    path = job.path(mesh)
    try:
        return read_surface(path, unit)
    except MeshError as problem:
        hint = "" if path.exists() else f"\n  Paths in a job start at its own folder, {job.folder}."
        raise MeshError(f"job {job.name}, [part] mesh = {shown(mesh)}: {problem}{hint}") from problem


def onto_rows(job: Job, solids: list[Solid]) -> float | None:
    """How far along z a job's meshes would have to be moved so that the part's flat ends lie on rows; judge/ends.py.

    None where they lie well, and where the job says where they lie: meshes that are not centred, shapes, [grid]
    level_ends. None as well where rows spread with depth, and lie on a flat end at one depth only.
    """
    placed = any(table.mesh is None or not table.centre for table in job.parts)
    return None if placed else _off_rows(job, solids)


def _stays(job: Job, solids: list[Solid]) -> list[str]:
    """A sentence where a mesh's flat ends would be moved onto rows, were there no shape that says where it lies."""
    meshes = [table for table in job.parts if table.mesh is not None]
    shapes = [table for table in job.parts if table.mesh is None]
    if not (meshes and shapes and all(table.centre for table in meshes)):
        return []
    move_mm = _off_rows(job, solids)
    if move_mm is None:
        return []
    role = "insert" if any(table.role == "insert" for table in shapes) else shapes[0].role
    return [
        "the part's flat ends lie between two rows of pixels, where they print up to half a row short. They are not "
        f'moved onto rows: a shape (role = "{role}") has a place of its own, at_mm, and meshes would move past it; '
        f"{move_words(move_mm)}."
    ]


def _off_rows(job: Job, solids: list[Solid]) -> float | None:
    """How far along z the part's flat ends lie off rows, wherever the job says they lie; None where they lie well."""
    parts = [solid.form for solid in solids if solid.role == "part"]
    if job.grid.level_ends == "as_placed" or job.grid.margin_voxels == 0 or job.light.rows_spread:
        return None
    ends, light = level_ends(parts), job.light
    if ends is None:
        return None
    reach_mm = max(form.reach_mm for form in parts)
    return move_onto_rows(ends, reach_mm, light.pixel_mm, light.rows, job.vial.resin_height_mm, job.grid.voxel_mm)


def _along_z(form: Surface | Shape, move_mm: float) -> Surface:
    assert isinstance(form, Surface)  # of a mesh
    return form.moved(form.vertices_mm + np.array([0.0, 0.0, move_mm]))
