"""Distances between print and part against closed forms and brute force."""

import numpy as np
import pytest
import torch
from trimesh.triangles import closest_point

from lightlathe.judge import level_set, surface_distance
from lightlathe.judge.level_set import crossings
from lightlathe.judge.surface_distance import crossings_of, surface_figures, wanted_surface
from lightlathe.part.roles import judge
from lightlathe.part.shapes import Box, Cylinder, Sphere
from lightlathe.quantities import FineShape, Grid, Part, TriangleMesh

GEL = 40.0


def mesh_of(shape):
    points, faces = np.unique(shape.triangles().reshape(-1, 3), axis=0, return_inverse=True)
    return TriangleMesh(points, faces.reshape(-1, 3))


def part_of(*shapes, grid, inserts=()):
    covered = torch.stack([s.coverage(grid) for s in shapes]).amax(0)
    insert = [s.coverage(grid) for s in inserts]
    judged = judge(covered, grid, grid.extent_mm[0] / 2, insert)
    return Part(grid, covered, judged, insert[0] if insert else None)


def ball_of_dose(grid, radius_mm, at_mm):
    x, y, z = (grid.centres_mm(axis) - at_mm[axis] for axis in range(3))
    r = torch.sqrt(x[:, None, None] ** 2 + y[:, None] ** 2 + z**2)
    return GEL * (1 + (radius_mm - r) / radius_mm)


@pytest.mark.parametrize(("voxels", "voxel_mm"), [(40, 0.25), (41, 0.1), (52, 0.005)])
def test_a_print_that_is_too_fat_all_around(voxels, voxel_mm):
    """Concentric balls that differ by a fifth of a voxel: every distance is that, but for the facets of the ball
    wanted, which lie up to (1 - cos(pi / 64)) R inside it, and the chords of the dose, h^2 / 8 R."""
    grid, radius, more = Grid((voxels, voxels, voxels + 1), voxel_mm), 15.3 * voxel_mm, 0.2 * voxel_mm
    at = (0.13 * voxel_mm, -0.4 * voxel_mm, 0.31 * voxel_mm)
    part = part_of(Sphere(radius, at), grid=grid)
    wanted = wanted_surface(part, mesh_of(Sphere(radius, at)))
    q = surface_figures(crossings_of(ball_of_dose(grid, radius + more, at), GEL, part), wanted)
    tolerance = (1 - np.cos(np.pi / 64)) * radius + voxel_mm**2 / (8 * radius)
    assert tolerance < 0.03 * voxel_mm
    for name in ("mean", "95", "max", "bias", "part_to_print_max"):
        assert q[f"surface_{name}_mm"] == pytest.approx(more, abs=2 * tolerance)
    thinner = surface_figures(crossings_of(ball_of_dose(grid, radius - more, at), GEL, part), wanted)
    assert thinner["surface_bias_mm"] == pytest.approx(-more, abs=2 * tolerance)


def test_a_print_that_is_shifted():
    """A ball moved by d: the farthest points are at the two poles along d, |d| away; the mean of |d cos| over a ball is
    half of |d| (closed form, to first order in d / R)."""
    grid, radius, move = Grid((48, 48, 48), 0.2), 3.1, np.array([0.3, 0.0, 0.4])
    part = part_of(Sphere(radius), grid=grid)
    q = surface_figures(
        crossings_of(ball_of_dose(grid, radius, move), GEL, part), wanted_surface(part, mesh_of(Sphere(radius))), "_x"
    )
    assert q["surface_max_mm_x"] == pytest.approx(0.5, abs=0.02)
    assert q["surface_mean_mm_x"] == pytest.approx(0.25, abs=0.02)
    assert q["surface_bias_mm_x"] == pytest.approx(0, abs=0.03)
    where = np.array([q[f"surface_max_{axis}_mm_x"] for axis in "xyz"])
    assert abs(where @ move) / np.linalg.norm(where) / 0.5 > 0.98


def test_a_missing_feature_shows_from_the_part_alone():
    """A plate with a peg that does not print: from the print nothing is far, from the part the peg's top is."""
    grid = Grid((40, 40, 40), 0.2)
    plate, peg = Box(5.0, 5.0, 1.0, (0.0, 0.0, -1.5)), Box(0.8, 0.8, 3.0, (1.4, 0.6, 0.5))
    part = part_of(plate, peg, grid=grid)
    a, b = mesh_of(plate), mesh_of(peg)
    both = TriangleMesh(
        np.concatenate([a.vertices_mm, b.vertices_mm]), np.concatenate([a.faces, b.faces + len(a.vertices_mm)])
    )
    wanted = wanted_surface(part, both)
    q = surface_figures(crossings_of(2 * GEL * part_of(plate, grid=grid).coverage, GEL, part), wanted)
    assert q["surface_part_to_print_max_mm"] == q["surface_max_mm"] == pytest.approx(3.0, abs=0.1)
    assert q["surface_max_z_mm"] == pytest.approx(2.0, abs=0.1)
    assert (q["surface_max_x_mm"], q["surface_max_y_mm"]) == (
        pytest.approx(1.4, abs=0.45),
        pytest.approx(0.6, abs=0.45),
    )
    whole = surface_figures(crossings_of(2 * GEL * part.coverage, GEL, part), wanted)
    assert whole["surface_max_mm"] < 0.2  # corners of voxels; the peg's foot inside the plate is no surface


def test_signed_distances_are_those_of_brute_force():
    """Every triangle for every point (trimesh's closest points), inside told by the box's own inequalities."""
    rng = np.random.default_rng(1)
    box = Box(2.0, 3.0, 4.0, (0.3, -0.2, 0.1))
    grid = Grid((60, 60, 60), 0.1)
    mesh = mesh_of(box)
    wanted = wanted_surface(part_of(box, grid=grid), mesh)
    points = rng.uniform(-2.6, 2.6, (400, 3))
    triangles = mesh.triangles
    every = np.stack([closest_point(np.broadcast_to(t, (400, 3, 3)), points) for t in triangles])
    brute = np.linalg.norm(every - points, axis=2).min(0)
    inside = (np.abs(points - np.array(box.at_mm)) < np.array([1.0, 1.5, 2.0])).all(1)
    assert 20 < inside.sum() < 380
    np.testing.assert_allclose(wanted.distance_mm(points), np.where(inside, -brute, brute), atol=2e-3)


def test_inserts_and_the_wall_are_no_surface():
    """A hub around a needle: where the dose ends at the needle, and where the hub's mesh runs inside it, nothing is
    compared."""
    grid, hub, needle = Grid((50, 50, 30), 0.1), Cylinder(1.7, 2.0), Cylinder(0.6, 9.0)
    part = part_of(hub, grid=grid, inserts=[needle])
    q = surface_figures(crossings_of(2 * GEL * part.printed(), GEL, part), wanted_surface(part, mesh_of(hub)))
    assert q["surface_max_mm"] < 0.1
    bare = part_of(hub, grid=grid)
    told = surface_figures(crossings_of(2 * GEL * part.printed(), GEL, bare), wanted_surface(bare, mesh_of(hub)))
    assert told["surface_max_mm"] > 0.4


def test_a_gap_beside_an_insert_is_as_wide_as_it_is():
    """A ring of the hub of 0.25 mm about the needle stays liquid: its inner face is that far from the needle, not from
    the hub's outside."""
    grid, hub, needle = Grid((50, 50, 30), 0.1), Cylinder(1.7, 2.0), Cylinder(0.6, 9.0)
    part = part_of(hub, grid=grid, inserts=[needle])
    dose = 2 * GEL * (part.coverage - Cylinder(0.85, 9.0).coverage(grid)).clamp(min=0)
    q = surface_figures(crossings_of(dose, GEL, part), wanted_surface(part, mesh_of(hub)))
    assert q["surface_max_mm"] == pytest.approx(0.25, abs=0.06)  # faces of voxels, half a voxel off at most
    assert np.hypot(q["surface_max_x_mm"], q["surface_max_y_mm"]) == pytest.approx(0.85, abs=0.1)
    assert q["surface_bias_mm"] < -0.02


@pytest.mark.parametrize("shift", [0.0, 0.17, 0.33, 0.5, 0.8])
@pytest.mark.parametrize("tilt_deg", [0, 10, 27, 45])
def test_the_surface_of_covered_fractions(shift, tilt_deg):
    """A half space at any tilt, its covered fractions counted by 10^3 points a voxel: within 0.1 voxels."""
    normal = np.array(
        [np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg)) * 0.6, np.sin(np.radians(tilt_deg)) * 0.8]
    )
    grid, times = Grid((8, 8, 8), 0.5), 10
    fine = grid.finer(times)
    x, y, z = (fine.centres_mm(axis).numpy() for axis in range(3))
    below = x[:, None, None] * normal[0] + y[:, None] * normal[1] + z * normal[2] < shift * 0.5
    covered = torch.from_numpy(below.reshape(8, times, 8, times, 8, times).mean((1, 3, 5))).float()
    part = Part(grid, covered, torch.ones(grid.shape, dtype=torch.uint8))
    found = wanted_surface(part, None).part
    assert len(found) >= 60
    off = found.points_mm @ normal - shift * 0.5
    assert np.abs(off).max() < 0.1 * 0.5
    assert (found.normals @ normal).min() > 0.9


def test_points_stand_for_area():
    """The weights of a ball's crossings add up to its area, though oblique faces are met more often (Cauchy)."""
    grid, radius = Grid((60, 60, 60), 0.1), 2.4
    found = crossings(ball_of_dose(grid, radius, (0.02, 0.01, 0.0)), GEL, grid, None, 10**6)
    assert found.area.sum() * 0.1**2 == pytest.approx(4 * np.pi * radius**2, rel=0.01)
    assert len(found) * 0.1**2 > 1.3 * 4 * np.pi * radius**2
    outward = found.points_mm / np.linalg.norm(found.points_mm, axis=1, keepdims=True)
    assert np.einsum("ij,ij->i", outward, found.normals).min() > 0.98


def test_samples_and_slabs_change_little_and_repeat(monkeypatch):
    grid, radius = Grid((50, 50, 50), 0.1), 1.9
    part = part_of(Sphere(radius), grid=grid)
    dose = ball_of_dose(grid, radius, (0.03, 0.0, 0.05)).float()
    all_of_them = surface_figures(crossings_of(dose, GEL, part), wanted_surface(part, mesh_of(Sphere(radius))))
    monkeypatch.setattr(level_set, "SLAB_VOXELS", 7000)
    slabs = surface_figures(crossings_of(dose, GEL, part), wanted_surface(part, mesh_of(Sphere(radius))))
    assert slabs == pytest.approx(
        all_of_them, abs=1e-3
    )  # drawn in another order where there are more than are compared
    monkeypatch.setattr(surface_distance, "MOST_COMPARED", 500)
    monkeypatch.setattr(surface_distance, "MOST_MET", 2000)
    few = [
        surface_figures(crossings_of(dose, GEL, part), wanted_surface(part, mesh_of(Sphere(radius)))) for _ in range(2)
    ]
    assert few[0] == few[1]
    for name in ("mean", "95", "bias"):
        assert few[0][f"surface_{name}_mm"] == pytest.approx(all_of_them[f"surface_{name}_mm"], abs=0.005)


def test_nothing_to_compare_is_nan():
    grid = Grid((12, 12, 12), 0.5)
    part = part_of(Box(2.0, 2.0, 2.0), grid=grid)
    fine = FineShape(grid, part.judged)
    q = surface_figures(crossings_of(torch.zeros(grid.shape), GEL, fine), wanted_surface(part, None))
    assert all(np.isnan(value) for value in q.values())
    assert len(q) == 8
