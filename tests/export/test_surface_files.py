"""The predicted surface: against closed forms, in the user's own coordinates, as general readers read it."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import torch
import trimesh
from balls import GEL, ball, centres

from lightlathe import pipeline
from lightlathe.errors import ResultError
from lightlathe.export import isosurface
from lightlathe.export.isosurface import print_surface
from lightlathe.flow.part_frame import part_frame
from lightlathe.flow.solids import load_solids
from lightlathe.flow.wanted import frame_facts
from lightlathe.job import job_from
from lightlathe.part.units import MM_PER_UNIT
from lightlathe.quantities import Grid
from lightlathe.result import read_result, write_result


def as_trimesh(mesh):
    return trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False)


@pytest.mark.parametrize("voxel_mm", [0.004, 0.08, 0.1, 0.37])
@pytest.mark.parametrize("shape", [(40, 41, 44), (41, 40, 43)])
@pytest.mark.parametrize("offset", [(0.0, 0.0, 0.0), (0.5, -0.5, 0.5), (0.13, 0.71, -0.29)])
def test_a_ball_is_where_it_was(voxel_mm, shape, offset):
    """Every corner within 0.1 voxels of the sphere, at even and odd counts of voxels; volume 4/3 pi R^3 less what
    chords cut off, of the order of (h / R)^2."""
    grid, radius, at = Grid(shape, voxel_mm), 14.2 * voxel_mm, np.array(offset) * voxel_mm
    mesh = print_surface(ball(grid, radius, at), GEL, grid)
    off = np.linalg.norm(mesh.vertices_mm - at, axis=1) - radius
    assert np.abs(off).max() < 0.1 * voxel_mm
    assert as_trimesh(mesh).is_watertight
    assert as_trimesh(mesh).is_winding_consistent
    assert mesh.volume_mm3 == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.006)
    np.testing.assert_allclose(as_trimesh(mesh).center_mass, at, atol=0.01 * voxel_mm)


@pytest.mark.parametrize("voxel_mm", [0.004, 0.1])
@pytest.mark.parametrize("offset", [(0.0, 0.0, 0.0), (0.37, -0.21, 0.5)])
def test_a_box_is_where_it_was(voxel_mm, offset):
    """Faces within 0.1 voxels; its edges are cut off, by less than a chamfer of a voxel: there is no voxel's centre."""
    grid, half, at = Grid((40, 38, 37), voxel_mm), np.array([9.3, 12.6, 7.7]) * voxel_mm, np.array(offset) * voxel_mm
    within = torch.stack([half[a] - (c - at[a]).abs().expand(grid.shape) for a, c in enumerate(centres(grid))]).amin(0)
    mesh = print_surface((GEL * (1 + within / half.min())).clamp(min=0).float(), GEL, grid)
    off = np.abs(mesh.vertices_mm - at) - half
    on_a_face = np.sort(off, axis=1)[:, 1] < -voxel_mm
    assert on_a_face.mean() > 0.6
    assert np.abs(off[on_a_face].max(1)).max() < 0.1 * voxel_mm
    assert np.abs(off.max(1)).max() < 0.5 * voxel_mm
    np.testing.assert_allclose(mesh.vertices_mm.max(0), at + half, atol=0.1 * voxel_mm)
    np.testing.assert_allclose(mesh.vertices_mm.min(0), at - half, atol=0.1 * voxel_mm)
    assert as_trimesh(mesh).is_watertight
    edges = 8 * half.sum()
    assert 0 <= 8 * half.prod() - mesh.volume_mm3 < 0.5 * voxel_mm**2 * edges


def test_slabs_leave_no_seam(monkeypatch):
    grid = Grid((40, 41, 44), 0.1)
    dose = torch.maximum(ball(grid, 1.2, (0.4, 0.0, 0.1)), ball(grid, 0.9, (-0.9, 0.2, 0.0)))
    whole = print_surface(dose, GEL, grid)
    monkeypatch.setattr(isosurface, "SLAB_VOXELS", 3 * 43 * 46)
    slabs = print_surface(dose, GEL, grid)
    assert as_trimesh(slabs).is_watertight
    assert len(slabs.vertices_mm) == len(whole.vertices_mm)
    key = [np.sort(np.round(m.triangles * 1e5).astype(int).reshape(-1, 9), axis=0) for m in (whole, slabs)]
    np.testing.assert_array_equal(*key)


def test_what_touches_the_grid_is_closed_and_an_insert_is_left_out():
    grid = Grid((20, 20, 20), 0.1)
    full = torch.full(grid.shape, 2 * GEL)
    assert as_trimesh(print_surface(full, GEL, grid)).is_watertight
    x, y, _ = centres(grid)
    needle = (0.5 + (0.4 - torch.sqrt(x**2 + y**2)) / 0.1).clamp(0, 1).expand(grid.shape).float()
    mesh = print_surface(full, GEL, grid, needle)
    assert as_trimesh(mesh).is_watertight
    hole = as_trimesh(print_surface(full, GEL, grid)).volume - mesh.volume_mm3
    assert hole == pytest.approx(np.pi * 0.4**2 * 2.0, rel=0.08)
    with pytest.raises(ResultError, match="nothing turns solid"):
        print_surface(0.5 * full, GEL, grid)


@pytest.fixture(scope="module")
def lopsided(tmp_path_factory):
    """A convex body without any symmetry, 3 mm long, far from the origin; written in a unit."""
    corners = np.array(
        [[0, 0, 0], [3.0, 0, 0], [2.6, 1.3, 0.1], [0.2, 1.6, 0], [0.3, 0.4, 1.1], [1.0, 0.2, 1.9], [0.1, 1.2, 0.6]]
    )
    body = trimesh.convex.convex_hull(corners + np.array([40.0, -25.0, 7.0]))
    folder = tmp_path_factory.mktemp("lopsided")
    for unit in ("mm", "inch", "m"):
        other = body.copy()
        other.apply_scale(1 / MM_PER_UNIT[unit])
        other.export(folder / f"{unit}.stl")
    return body, folder


PLACED = {
    "as it is": {},
    "turned": {"rotation_deg": [20.0, -35.0, 110.0], "shift_mm": [0.4, -0.3, 0.55]},
    "laid, scaled": {"lay": "along", "scale": 1.4, "rotation_deg": [0, 15.0, 0], "shift_mm": [0.1, 0.2, 0.3]},
}


def record_of(folder, unit, placed):
    """A design of next to no iterations, whose dose is replaced by one that passes the gel dose at the part's face."""
    job = job_from(
        {
            "part": {"mesh": f"{unit}.stl", "unit": unit, **placed},
            "vial": {"inner_diameter_mm": 7, "resin_height_mm": 12},
            "resin": {"absorption_per_mm": 0.1, "liquid_below_mj_cm3": 35.5, "solid_above_mj_cm3": 37},
            "light": {"pixel_mm": 0.1, "columns": 70, "rows": 80, "irradiance_mw_cm2": 20},
            "turn": {"angles": 12, "seconds_per_turn": 10, "motion": "stepped"},
            "grid": {"voxel_mm": 0.1, "finer": 1},
            "design": {"iterations": 1, "bound_iterations": 0},
        },
        folder=folder,
    )
    record = pipeline.design(job)
    return dataclasses.replace(
        record, prediction=dataclasses.replace(record.prediction, dose=2 * GEL * record.part.coverage)
    )


def apart(points, body):
    """Largest distance of points from the body's surface, by every triangle of it."""
    triangles = np.asarray(body.triangles)
    every = [
        np.linalg.norm(
            trimesh.triangles.closest_point(np.broadcast_to(t, (len(points), 3, 3)), points) - points, axis=1
        )
        for t in triangles
    ]
    return float(np.min(every, axis=0).max())


@pytest.mark.parametrize("unit", ["mm", "inch", "m"])
@pytest.mark.parametrize("placed", PLACED.values(), ids=PLACED)
def test_it_lies_on_the_users_mesh(lopsided, unit, placed, tmp_path):
    """Nothing is fitted: the corners as written, in the mesh's unit, lie within a voxel of the mesh; those of a mirror
    image do not."""
    body, folder = lopsided
    record = record_of(folder, unit, placed)
    write_result(record, tmp_path / "a.h5")
    said = pipeline.surface(read_result(tmp_path / "a.h5"), tmp_path / "s.ply")
    assert f"in {unit}, the coordinates of {unit}.stl" in said
    assert part_frame(record).scale == pytest.approx(placed.get("scale", 1.0))
    found = trimesh.load(tmp_path / "s.ply", process=False)
    mm, voxel = MM_PER_UNIT[unit], 0.1 / placed.get("scale", 1.0)
    points = np.asarray(found.vertices) * mm
    assert apart(points, body) < voxel  # corners of the body are cut off
    assert found.volume * mm**3 == pytest.approx(body.volume, rel=0.02)
    np.testing.assert_allclose(found.center_mass * mm, body.center_mass, atol=0.02)
    mirrored = body.copy()
    mirrored.apply_transform(np.diag([-1, 1, 1, 1]) + np.outer([2 * body.center_mass[0], 0, 0, 0], [0, 0, 0, 1]))
    assert apart(points, mirrored) > 3 * voxel
    pipeline.surface(record, tmp_path / "v.stl", "vial")
    in_vial = trimesh.load(tmp_path / "v.stl")
    low, high = record.facts["part_low_mm"], record.facts["part_high_mm"]
    np.testing.assert_allclose(in_vial.bounds, [low, high], atol=0.2)  # its sharp tips are thinner than a voxel


def test_the_frame_is_that_of_the_first_mesh(lopsided):
    """Two meshes: together as in their files they share a frame; with one of them turned the words say that they do
    not. The matrix takes the corners of the file, in mm, to where they stand in the vial."""
    _, folder = lopsided
    tables = {
        "vial": {"inner_diameter_mm": 20, "resin_height_mm": 20},
        "resin": {"absorption_per_mm": 0.1, "liquid_below_mj_cm3": 35.5, "solid_above_mj_cm3": 37},
        "light": {"pixel_mm": 0.1, "columns": 200, "rows": 200, "irradiance_mw_cm2": 20},
        "turn": {"angles": 12, "seconds_per_turn": 10},
        "grid": {"voxel_mm": 0.2},
    }
    first = {"mesh": "mm.stl", "unit": "mm", "rotation_deg": [0, 0, 40.0]}
    for turn, shared in ((40.0, True), (41.0, False)):
        second = {"mesh": "inch.stl", "unit": "mm", "scale": 25.4, "rotation_deg": [0, 0, turn], "role": "part"}
        same = {"mesh": "mm.stl", "unit": "mm", "rotation_deg": [0, 0, turn]}
        solids, _ = load_solids(job_from({**tables, "part": [first, same]}, folder=folder))
        facts = frame_facts(solids)
        assert (facts["part_frame"], facts["part_unit"], facts["part_frame_shared"]) == ("mm.stl", "mm", shared)
        read = trimesh.load(folder / "mm.stl").vertices
        to_vial = np.reshape(facts["part_to_vial"], (4, 4))
        placed = trimesh.transform_points(read, to_vial)
        np.testing.assert_allclose(np.sort(placed, 0), np.sort(solids[0].form.vertices_mm, 0), atol=1e-9)
        solids, _ = load_solids(job_from({**tables, "part": [first, second]}, folder=folder))
        assert not frame_facts(solids)["part_frame_shared"]  # scaled otherwise, though it lies on the first


def test_an_older_result_lacks_the_placement(tmp_path):
    """A file from before: an error that names the way out, and the vial's frame works."""
    record = read_result(Path(__file__).parents[1] / "result" / "version_2.h5")
    with pytest.raises(ResultError, match="--frame vial"):
        pipeline.surface(record, tmp_path / "a.stl")
    assert "the vial's frame" in pipeline.surface(record, tmp_path / "a.stl", "vial")
    assert trimesh.load(tmp_path / "a.stl").is_watertight
