"""Covered fractions against closed forms, half-spaces, and plain sums of solid angles written here a second time."""

import math

import numpy as np
import pytest
import torch
from bodies import ball_triangles, box, box_triangles, hull, surface
from hypothesis import given, settings
from hypothesis import strategies as st

from lightlathe.part import coverage, place, surface_from_triangles
from lightlathe.part.count import LINE_X, LINE_Y, STEP
from lightlathe.quantities import Grid

GRID = Grid((11, 10, 9), voxel_mm=0.3)  # odd, even, odd: a swapped axis or half a voxel cannot hide
ROUND = 1 / STEP  # fractions are rounded to this
SAMPLED = 1 / 16  # what one line of a voxel stands for


def overlap(grid: Grid, axis: int, low: float, high: float) -> np.ndarray:
    """Closed form: share of each voxel's extent between two positions."""
    centres, half = grid.centres_mm(axis).numpy(), grid.voxel_mm / 2
    return np.clip(np.minimum(centres + half, high) - np.maximum(centres - half, low), 0, None) / grid.voxel_mm


def box_fractions(grid: Grid, low, high) -> np.ndarray:
    x, y, z = (overlap(grid, axis, low[axis], high[axis]) for axis in range(3))
    return x[:, None, None] * y[:, None] * z


def volume(fractions: torch.Tensor, grid: Grid) -> float:
    return float(fractions.sum(dtype=torch.float64)) * grid.voxel_mm**3


def centroid(fractions: torch.Tensor, grid: Grid) -> np.ndarray:
    f = fractions.numpy().astype(float)
    axes = np.meshgrid(*(grid.centres_mm(a).numpy() for a in range(3)), indexing="ij")
    return np.array([(f * a).sum() / f.sum() for a in axes])


place_in_grid = st.floats(-1.3, 1.3, allow_nan=False, width=64)
corner = st.tuples(place_in_grid, place_in_grid, place_in_grid)


@settings(max_examples=60, deadline=None)
@given(corner, corner)
def test_any_box_has_its_closed_form_in_every_voxel(a, b):
    low, high = np.minimum(a, b), np.maximum(a, b) + 0.01
    found = coverage(box(low, high), GRID).numpy()
    np.testing.assert_allclose(found, box_fractions(GRID, low, high), atol=ROUND)


@settings(max_examples=30, deadline=None)
@given(st.tuples(*[st.integers(1, 5)] * 3), st.tuples(*[st.floats(-0.3, 0.3)] * 3))
def test_n_voxel_sides_are_exactly_n_at_any_offset(sides, offset):
    half = np.array(sides) * GRID.voxel_mm / 2
    found = coverage(box(np.array(offset) - half, np.array(offset) + half), GRID)
    # each of the at most 6^3 voxels is rounded by half a step
    assert float(found.sum(dtype=torch.float64)) == pytest.approx(math.prod(sides), abs=216 * ROUND / 2)


@pytest.mark.parametrize("line", [0, 1, 7, 16, 32])
def test_faces_on_sampling_lines_and_voxel_faces_leave_no_hole_and_no_extra_layer(line):
    """Sides at whole 32nds of a voxel, where the sampling lines run; twice over, so that sampling decides."""
    at = line / 32 * GRID.voxel_mm
    low, high = np.array([at - 0.75, at - 0.6, at - 0.75]), np.array([at + 0.75, at + 0.6, at + 0.75])
    once = coverage(box(low, high), GRID)
    twice = coverage([box(low, high), box(low, high)], GRID)
    np.testing.assert_allclose(once.numpy(), box_fractions(GRID, low, high), atol=ROUND)
    # the doubled part of a voxel is taken back by lines: off by at most one row and one column of the 16
    assert float((once - twice).abs().max()) <= 2 * 4 * SAMPLED
    assert volume(twice, GRID) == pytest.approx(volume(once, GRID), rel=1 / 64)
    assert bool(((once >= 1) == (twice >= 1)).all())


def test_sampling_lines_are_spread():
    """16 unlike values along x and along y; the Hammersley set has one line in each of 4 x 4 cells."""
    assert len(set(LINE_X)) == len(set(LINE_Y)) == 16
    assert {(x // 8, y // 8) for x, y in zip(LINE_X, LINE_Y, strict=True)} == {
        (a, b) for a in range(4) for b in range(4)
    }


def test_values_belong_to_voxel_centres():
    """A box of one voxel about the centre of voxel (2, 3, 4) fills that voxel and no other, for odd and even grids."""
    for shape in ((5, 6, 7), (6, 7, 8), (7, 5, 6)):
        grid = Grid(shape, voxel_mm=0.25)
        centre = np.array([float(grid.centres_mm(a)[i]) for a, i in enumerate((2, 3, 4))])
        found = coverage(box(centre - 0.125, centre + 0.125), grid)
        assert float(found[2, 3, 4]) == 1
        assert float(found.sum()) == 1


@pytest.mark.parametrize("shape", [(9, 9, 6), (10, 10, 5)])
def test_even_and_odd_grids_turn_about_the_same_axis(shape):
    grid = Grid(shape, voxel_mm=0.3)
    part = box((0.1, -0.4, -0.5), (1.0, 0.3, 0.2))
    turned = coverage(place(part, rotation_deg=(0, 0, 90), centre=False), grid)
    torch.testing.assert_close(turned, coverage(part, grid).rot90(1, (0, 1)), atol=0, rtol=0)


def test_handedness_is_right():
    """Three unlike arms along +x, +y, +z: each is found on its own axis and side."""
    part = surface(
        box_triangles((0, 0, 0), (1.4, 0.2, 0.2)), box_triangles((0, 0, 0), (0.2, 1.1, 0.2)),
        box_triangles((0, 0, 0), (0.2, 0.2, 0.8)),
    )  # fmt: skip
    middle = centroid(coverage(part, GRID), GRID)
    assert middle[0] > middle[1] > middle[2] > 0


def test_overlapping_bodies_are_a_union():
    one, two = ((-1.0, -0.9, -0.8), (0.4, 0.5, 0.6)), ((-0.3, -0.2, -0.1), (1.1, 1.0, 0.9))
    shared = np.prod(np.subtract(one[1], two[0]))
    expected = np.prod(np.subtract(*one[::-1])) + np.prod(np.subtract(*two[::-1])) - shared
    found = coverage(surface(box_triangles(*one), box_triangles(*two)), GRID)
    # faces of the lens are placed by 16 lines: to 1/32 of a voxel of 0.3 mm on six faces of about 0.5 mm2
    assert volume(found, GRID) == pytest.approx(expected, abs=6 * 0.5 * 0.3 / 32)
    assert float(found.max()) == 1


@settings(max_examples=30, deadline=None)
@given(corner, corner, corner, corner)
def test_any_two_boxes_are_a_union_in_every_voxel(a, b, c, d):
    """Closed form: |A| + |B| - |A and B| in each voxel. What both cover is taken back by 16 lines a voxel: each face of
    the shared box along z is placed to one line."""
    one = np.minimum(a, b), np.maximum(a, b) + 0.3
    two = np.minimum(c, d), np.maximum(c, d) + 0.3
    both = np.maximum(one[0], two[0]), np.minimum(one[1], two[1])
    shared = box_fractions(GRID, *both)
    expected = box_fractions(GRID, *one) + box_fractions(GRID, *two) - shared
    found = coverage(surface(box_triangles(*one), box_triangles(*two)), GRID).numpy()
    np.testing.assert_allclose(found[shared == 0], expected[shared == 0], atol=2 * ROUND)
    np.testing.assert_allclose(found, expected, atol=4 * SAMPLED)
    lx, ly, lz = np.maximum(both[1] - both[0], 0)
    assert abs(found.sum() - expected.sum()) * GRID.voxel_mm**3 <= 2 * (lx + ly) * lz * GRID.voxel_mm * SAMPLED + 1e-4


def test_touching_bodies_make_no_seam():
    """Two boxes that share a face inside a voxel: every voxel of that layer is filled, and the sum is exact."""
    low, middle, high = (-0.9, -0.6, -0.6), (0.07, 0.6, 0.6), (0.9, 0.6, 0.6)
    touching = surface(box_triangles(low, middle), box_triangles((0.07, -0.6, -0.6), high))
    apart = coverage([box(low, middle), box((0.07, -0.6, -0.6), high)], GRID)
    np.testing.assert_allclose(coverage(touching, GRID).numpy(), box_fractions(GRID, low, high), atol=ROUND)
    np.testing.assert_allclose(apart.numpy(), box_fractions(GRID, low, high), atol=ROUND)


def test_nested_inward_shell_is_a_cavity_and_a_whole_inside_out_mesh_is_filled_like_it():
    outer, inner = (
        box_triangles((-1.2, -1.1, -1.0), (1.2, 1.1, 1.0)),
        box_triangles((-0.6, -0.5, -0.4), (0.6, 0.5, 0.4)),
    )
    hollow = surface(outer, inner[:, ::-1])
    inside_out = surface(outer[:, ::-1], inner)
    expected = box_fractions(GRID, (-1.2, -1.1, -1.0), (1.2, 1.1, 1.0)) - box_fractions(
        GRID, (-0.6, -0.5, -0.4), (0.6, 0.5, 0.4)
    )
    np.testing.assert_allclose(coverage(hollow, GRID).numpy(), expected, atol=2 * ROUND)
    np.testing.assert_allclose(coverage(inside_out, GRID).numpy(), expected, atol=2 * ROUND)
    assert hollow.report.flipped_components == 0
    assert inside_out.report.flipped_components == 2
    assert "faced inwards" in inside_out.warnings[0]


def test_one_inverted_body_beside_a_good_one_is_turned_with_its_cavity():
    good = box_triangles((-1.5, -1, -1), (-0.3, 1, 1))
    outer, inner = box_triangles((0.1, -1, -1), (1.5, 1, 1)), box_triangles((0.4, -0.5, -0.5), (1.1, 0.5, 0.5))
    mixed = surface(good, outer[:, ::-1], inner)
    assert mixed.volume_mm3 == pytest.approx(1.2 * 4 + 1.4 * 4 - 0.7, rel=1e-12)
    assert mixed.report.flipped_components == 2


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_random_convex_bodies_match_their_half_spaces(seed):
    """Each voxel against 20^3 points in it tested against the planes of the hull (scipy, Qhull)."""
    points = np.random.default_rng(seed).uniform(-1.1, 1.1, (12, 3))
    body, planes = hull(points)
    grid = Grid((6, 7, 5), voxel_mm=0.45)
    steps = (np.arange(20) + 0.5) / 20 - 0.5
    fine = [(grid.centres_mm(a).numpy()[:, None] + steps * grid.voxel_mm).ravel() for a in range(3)]
    sample = np.stack(np.meshgrid(*fine, indexing="ij"), axis=-1)
    inside = (sample @ planes[:, :3].T + planes[:, 3] <= 0).all(axis=-1)
    expected = inside.reshape(6, 20, 7, 20, 5, 20).mean(axis=(1, 3, 5))
    # a plane through a voxel cuts at most 3 * 20^2 of the 8000 cells, each wrong by at most one half: rms far less
    np.testing.assert_allclose(coverage(body, grid).numpy(), expected, atol=0.02)
    within = np.abs(points).max(axis=0) < np.array(grid.extent_mm) / 2
    if within.all():
        assert volume(coverage(body, grid), grid) == pytest.approx(body.volume_mm3, rel=1e-5)


@settings(max_examples=15, deadline=None)
@given(st.floats(8, 20), st.tuples(*[st.floats(-0.5, 0.5)] * 3))
def test_balls_keep_volume_and_centroid(voxels_thick, offset):
    """From 8 voxels of thickness on the volume must be right to 0.2 % and the centroid to 0.05 voxel. The rule has no
    sampling in it and keeps 1e-5; the centroid of voxel VALUES is off by what the filled part of a surface voxel lies
    beside its centre, which nearly averages out: 0.01."""
    grid = Grid((24, 23, 24), voxel_mm=0.2)
    ball = surface(ball_triangles(voxels_thick / 2 * 0.2, np.array(offset) * 0.2, rings=20))
    found = coverage(ball, grid)
    assert volume(found, grid) == pytest.approx(ball.volume_mm3, rel=1e-5)
    assert np.abs(centroid(found, grid) / 0.2 - offset).max() < 0.01


def test_two_balls_match_the_closed_form_of_a_lens():
    """Union of balls r = 2, 2.6 apart: lens of two caps, V = pi (2 r + d / 2)(r - d / 2)^2 2 / 3 (any table)."""
    r, d = 2.0, 2.6
    two = surface(ball_triangles(r, (-d / 2, 0, 0), 64), ball_triangles(r, (d / 2, 0, 0), 64))
    grid = Grid((40, 26, 26), voxel_mm=0.18)
    h = r - d / 2
    lens = 2 * math.pi * h**2 * (3 * r - h) / 3
    facets = two.volume_mm3 / (2 * 4 / 3 * math.pi * r**3)  # what 64 rings leave of a smooth ball
    assert volume(coverage(two, grid), grid) == pytest.approx(facets * (2 * 4 / 3 * math.pi * r**3 - lens), rel=0.002)


def test_thin_wall_keeps_its_fraction():
    """A sheet of 1/50 of a voxel: its share of the voxel, wherever it lies."""
    for at in (-0.01, 0.1, 0.149):
        sheet = box((at, -1, -1), (at + 0.006, 1, 1))
        assert volume(coverage(sheet, GRID), GRID) == pytest.approx(0.006 * 4, rel=1e-4)  # 50 steps of 2^-20 in each


@pytest.mark.parametrize("times", [2, 3])
def test_a_finer_grid_of_the_same_box_holds_the_same_solid(times):
    """The honest grid: fine fractions, averaged over the voxels they divide, are the coarse ones."""
    body, _ = hull(np.random.default_rng(8).uniform(-1.2, 1.2, (15, 3)))
    nx, ny, nz = GRID.shape
    fine = coverage(body, GRID.finer(times)).view(nx, times, ny, times, nz, times).mean((1, 3, 5))
    torch.testing.assert_close(fine, coverage(body, GRID), atol=ROUND, rtol=0)


def test_parts_beyond_the_grid_are_cut_off_at_its_faces():
    low, high = (-9.0, -0.33, -7.0), (0.2, 8.0, 6.0)
    found = coverage(box(low, high), GRID).numpy()
    np.testing.assert_allclose(found, box_fractions(GRID, low, high), atol=ROUND)
    nothing = coverage(box((5, 5, 5), (6, 6, 6)), GRID)
    assert float(nothing.max()) == 0


@pytest.mark.parametrize("side", range(6))
def test_an_open_box_is_still_a_solid(side):
    """One face missing: the winding number passes one half on the flat cap exactly (a plane sees half of all)."""
    low, high = np.array((-0.9, -0.8, -0.7)), np.array((0.75, 0.86, 0.95))
    facets = np.delete(box_triangles(low, high), [2 * side, 2 * side + 1], axis=0)
    part = surface(facets)
    assert part.report.open_edges == 4
    assert not part.report.watertight
    assert "not watertight: 4 open edges" in part.warnings[0]
    np.testing.assert_allclose(coverage(part, GRID).numpy(), box_fractions(GRID, low, high), atol=SAMPLED / 4)


def test_bodies_that_are_open_and_overlap_follow_the_winding_number():
    """Two boxes without caps pushed into each other, voxel by voxel against solid angles summed in numpy."""
    one = np.delete(box_triangles((-1.2, -0.9, -0.9), (0.5, 0.9, 0.9)), [2, 3], axis=0)
    two = np.delete(box_triangles((-0.2, -0.6, -1.2), (1.3, 0.7, 1.1)), [0, 1], axis=0)
    part = place(surface(one, two), rotation_deg=(20, 30, 40), centre=False)  # askew: no face along the points' layers
    grid = Grid((9, 8, 9), voxel_mm=0.35)
    steps = (np.arange(6) + 0.5) / 6 - 0.5
    fine = [(grid.centres_mm(a).numpy()[:, None] + steps * grid.voxel_mm).ravel() for a in range(3)]
    points = np.stack(np.meshgrid(*fine, indexing="ij"), axis=-1).reshape(-1, 3)
    a, b, c = (part.triangles[None, :, k] - points[:, None] for k in range(3))
    na, nb, nc = (np.linalg.norm(v, axis=-1) for v in (a, b, c))
    top = np.einsum("ptk,ptk->pt", a, np.cross(b, c))
    ab, bc, ca = ((u * v).sum(-1) for u, v in ((a, b), (b, c), (c, a)))
    solid_angle = 2 * np.arctan2(top, na * nb * nc + ab * nc + bc * na + ca * nb).sum(1)
    inside = (solid_angle / (4 * np.pi) > 0.5).reshape(9, 6, 8, 6, 9, 6)
    expected = inside.mean(axis=(1, 3, 5))
    found = coverage(part, grid).numpy()
    # 6^3 points and 16 lines each place a slanting face to a few hundredths of a voxel; voxels that no facet meets are
    # decided whole, at their middle, where the points may find the surface between the rims passing through
    assert np.quantile(np.abs(found - expected), 0.95) < 0.05
    assert np.abs(found - expected).mean() < 0.01
    assert found.sum() == pytest.approx(expected.sum(), rel=0.01)
    assert found.max() == 1


def test_scale_unit_and_distance_change_nothing():
    """The same body in micrometres, scaled, or 100 km away (and centred) gives the same fractions."""
    points = np.random.default_rng(3).uniform(-1.1, 1.1, (14, 3))
    body, _ = hull(points)
    expected = coverage(place(body), GRID)
    small = surface_from_triangles(body.triangles * 1e-3, "small")
    far = surface_from_triangles(body.triangles + np.array([1e8, -1e8, 3e7]), "far")
    tiny_grid = Grid(GRID.shape, GRID.voxel_mm * 1e-3)
    torch.testing.assert_close(coverage(place(small), tiny_grid), expected, atol=ROUND, rtol=0)
    torch.testing.assert_close(coverage(place(small, scale=1000), GRID), expected, atol=ROUND, rtol=0)
    # float64 steps at 1e8 mm are 1.5e-8 mm: 5e-8 of a voxel for each of the corners
    torch.testing.assert_close(coverage(place(far), GRID), expected, atol=1e-6, rtol=0)
