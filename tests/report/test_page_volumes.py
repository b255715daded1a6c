"""What the HTML report shows of volumes: means of larger voxels that lose no error, and surfaces."""

import math

import numpy as np
import pytest
import torch

from lightlathe.quantities import Grid
from lightlathe.report.page.packing import finest, packed
from lightlathe.report.page.pooled import centres_mm, mean_of, means
from lightlathe.report.page.surfaces import apart_mm, marched
from lightlathe.report.page.volumes import OVER, UNDER, bits_of, error_bits

SHAPE = (13, 10, 7)  # no multiple of the steps below


def blocks(volume, step):
    """Every block of step^3 voxels, those at the ends smaller, by its index."""
    nx, ny, nz = volume.shape
    for i in range(0, nx, step):
        for j in range(0, ny, step):
            for k in range(0, nz, step):
                yield (i // step, j // step, k // step), volume[i : i + step, j : j + step, k : k + step]


@pytest.mark.parametrize("step", [1, 2, 3, 20])
def test_larger_voxels_hold_means_and_lose_no_error(step):
    random = np.random.default_rng(1)
    share = torch.from_numpy(random.random(SHAPE).astype(np.float32))
    judged, solid = torch.from_numpy(random.integers(0, 3, SHAPE).astype(np.uint8)), share > 0.9
    mean = mean_of((share,), step, 1.0, lambda slab: slab)
    plain = means(share, step)
    error = bits_of((judged, solid), step, error_bits)
    for at, block in blocks(share.numpy(), step):
        assert abs(mean[at] - 255 * block.mean()) <= 0.51
        assert plain[at] == pytest.approx(block.mean(), rel=1e-6)
    under = ((judged == 2) & ~solid).numpy()
    over = ((judged == 1) & solid).numpy()
    for bit, wrong in ((UNDER, under), (OVER, over)):
        for at, block in blocks(wrong, step):
            assert bool(error[at] & bit) == block.any()


def test_one_wrong_voxel_of_a_million_is_shown_at_any_step():
    judged, solid = torch.ones(100, 100, 100, dtype=torch.uint8), torch.zeros(100, 100, 100, dtype=torch.bool)
    solid[57, 3, 99] = True
    for step in (1, 7, 64):
        error = bits_of((judged, solid), step, error_bits)
        assert [tuple(n) for n in np.argwhere(error & OVER)] == [(57 // step, 3 // step, 99 // step)]


def test_centres_of_larger_voxels_are_the_mean_of_theirs():
    grid = Grid((12, 12, 12), 0.3)
    first, each = centres_mm(12, 0.3, 4)
    own = grid.centres_mm(0).numpy().reshape(3, 4).mean(1)
    np.testing.assert_allclose(first + each * np.arange(3), own, atol=1e-12)


def test_the_finest_step_that_fits():
    noise = np.random.default_rng(0).integers(0, 256, (64, 64, 64)).astype(np.uint8)

    def make(step):
        return {"noise": packed(noise[::step, ::step, ::step])}

    assert finest(noise.shape, make, most=10**9, room=10**9)[0] == 1
    assert finest(noise.shape, make, most=32**3, room=10**9)[0] == 2
    step, made = finest(noise.shape, make, most=10**9, room=20_000)
    assert len(made["noise"]["deflated"]) <= 20_000 < len(make(step - 1)["noise"]["deflated"])


def sphere(n, radius, voxel_mm):
    """Signed distance to a sphere's surface on a grid, mm, above 0 inside; its grid."""
    grid = Grid((n, n, n), voxel_mm)
    x, y, z = np.meshgrid(*(grid.centres_mm(axis).numpy() for axis in range(3)), indexing="ij")
    return radius - np.sqrt(x**2 + y**2 + z**2), grid


def test_surfaces_lie_where_they_should_and_distances_are_signed():
    """Closed forms: two spheres 0.25 mm apart in radius. Marching cubes of a linear field errs by curvature alone."""
    voxel_mm = 0.2
    inner, grid = sphere(40, 2.5, voxel_mm)
    outer, _ = sphere(40, 2.75, voxel_mm)
    first, each = zip(*(centres_mm(n, voxel_mm, 1) for n in grid.shape), strict=True)
    a, b = marched(inner, first, each[0]), marched(outer, first, each[0])
    np.testing.assert_allclose(np.linalg.norm(a.vertices_mm, axis=1), 2.5, atol=0.01 * voxel_mm)
    corners = a.vertices_mm[a.triangles]  # closed: tetrahedra up to the origin, which is inside
    assert abs(np.linalg.det(corners).sum()) / 6 == pytest.approx(4 / 3 * math.pi * 2.5**3, rel=0.01)
    outward = (a.normals * a.vertices_mm / 2.5).sum(1)
    assert outward.min() > 0.98
    np.testing.assert_allclose(apart_mm(b, a), 0.25, atol=0.02)
    np.testing.assert_allclose(apart_mm(a, b), -0.25, atol=0.02)
