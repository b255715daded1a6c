"""What each voxel must become."""

import numpy as np
import pytest
import torch
from scipy.ndimage import distance_transform_edt

from lightlathe.errors import PartError, ShapeError
from lightlathe.part import SHAPES, conflicts, coverage, judge, near_surface
from lightlathe.quantities import IGNORED, LIQUID, SOLID, Grid

GRID = Grid((16, 15, 9), voxel_mm=0.5)
WIDE = 50.0  # a vial that holds the whole grid
BLOCK = SHAPES["box"](3.0, 2.5, 2.5)  # 6 x 5 x 5 voxels, exactly


def counts(judged):
    return tuple(int((judged == value).sum()) for value in (IGNORED, LIQUID, SOLID))


def test_at_least_half_covered_must_turn_solid():
    """A face through a voxel's centre halves it, but for the rounding of meshes."""
    fractions = torch.tensor([0.0, 0.498, 0.49999, 1.0]).view(4, 1, 1)
    judged = judge(fractions, Grid((4, 1, 1), 1.0), WIDE)
    assert judged.dtype == torch.uint8
    assert judged.flatten().tolist() == [LIQUID, LIQUID, SOLID, SOLID]


def test_a_block():
    assert counts(judge(coverage(BLOCK, GRID), GRID, WIDE)) == (0, 16 * 15 * 9 - 150, 150)


def test_outside_the_vial_nothing_is_judged():
    judged = judge(coverage(BLOCK, GRID), GRID, vial_radius_mm=3.0)
    outside = ~GRID.inside(3.0)
    assert bool((judged[outside] == IGNORED).all())
    assert bool((judged[~outside] != IGNORED).all())


def test_inserts_are_not_judged_even_where_the_part_covers_them():
    rod = coverage(SHAPES["box"](0.5, 0.5, 4.5, at_mm=(0.25, 0.0, 0.0)), GRID)
    ignored, liquid, solid = counts(judge(coverage(BLOCK, GRID), GRID, WIDE, inserts=[rod]))
    assert (ignored, solid) == (9, 145)
    assert liquid == 16 * 15 * 9 - 9 - 145


def test_regions_to_keep_liquid_win_over_the_part_and_say_so():
    channel = coverage(SHAPES["box"](0.5, 7.5, 0.5, at_mm=(0.25, 0.0, 0.0)), GRID)
    beside = coverage(SHAPES["box"](0.5, 2.5, 2.5, at_mm=(1.75, 0.0, 0.0)), GRID)
    judged = judge(coverage(BLOCK, GRID), GRID, WIDE, keep_liquid=[channel])
    assert counts(judged) == (0, 16 * 15 * 9 - 145, 145)
    (said,) = conflicts(coverage(BLOCK, GRID), [channel, beside])
    assert said.startswith("5 of 150 voxels of the part lie in a region to keep liquid")


@pytest.mark.parametrize(("tolerance", "shell_in", "shell_out"), [(0.25, 0, 0), (0.3, 1, 1), (0.74, 1, 1), (0.8, 2, 2)])
def test_the_tolerance_band_is_measured_from_the_surface(tolerance, shell_in, shell_out):
    """Voxels beside a face have their centre 0.25 mm from it, the next ones 0.75 mm."""
    judged = judge(coverage(BLOCK, GRID), GRID, WIDE, tolerance_mm=tolerance)
    left = np.prod([max(n - 2 * shell_in, 0) for n in (6, 5, 5)])
    assert counts(judged)[2] == left
    middle = judged[:, 7, 4].tolist()  # one row through the middle
    assert middle[5 - shell_out : 5] == [IGNORED] * shell_out
    assert middle[4 - shell_out] == LIQUID


def test_a_tolerance_does_not_free_a_region_to_keep_liquid():
    beside = coverage(SHAPES["box"](0.5, 2.5, 2.5, at_mm=(1.75, 0.0, 0.0)), GRID)
    judged = judge(coverage(BLOCK, GRID), GRID, WIDE, keep_liquid=[beside], tolerance_mm=0.3)
    assert bool((judged[beside >= 0.5] == LIQUID).all())


@pytest.mark.parametrize("within", [0.3, 0.7, 1.05, 1.4, 2.0, 100.0])
@pytest.mark.parametrize("shape", [(9, 8, 7), (1, 30, 2)])
def test_near_the_surface_against_all_pairs(shape, within):
    rng = np.random.default_rng(5)
    solid = torch.from_numpy(rng.random(shape) < 0.02)
    solid[0, 0, 0] = True
    places = np.argwhere(np.ones(shape, dtype=bool))
    flat = solid.numpy().ravel()
    gap = [np.linalg.norm(places[flat != flat[i]] - places[i], axis=1).min() - 0.5 for i in range(len(places))]
    wanted = np.array(gap) < within / 0.7 - 1e-9  # 1.05 mm is 1.5 voxels of 0.7 mm: the second row is not nearer
    got = near_surface(solid, Grid(shape, 0.7), within).numpy().ravel()
    assert np.array_equal(got, wanted)
    if 0.35 < within < 2.0 and shape[0] > 1:
        assert 0 < wanted.sum() < len(wanted)


def test_near_the_surface_against_scipy():
    """scipy's exact Euclidean distance transform, of a shape with slopes."""
    solid = coverage(SHAPES["sphere"](2.9), GRID) >= 0.5
    inner, outer = (distance_transform_edt(side.numpy()) for side in (solid, ~solid))
    for voxels in (0.6, 1.0, 2.2, 5.0):
        wanted = np.where(solid.numpy(), inner, outer) - 0.5 < voxels - 1e-9
        assert np.array_equal(near_surface(solid, GRID, voxels * GRID.voxel_mm).numpy(), wanted)


def test_without_a_surface_nothing_is_near():
    grid = Grid((2, 2, 2), 1.0)
    assert not bool(near_surface(torch.ones(2, 2, 2, dtype=torch.bool), grid, 9.0).any())


@pytest.mark.parametrize("within", [1e3, 5e4, 1e6, 1e10, 1e200])
def test_within_any_length_all_is_near(within):
    solid = torch.zeros(30, 2, 5, dtype=torch.bool)
    solid[0, 0, 0] = True
    assert bool(near_surface(solid, Grid((30, 2, 5), 1.0), within).all())


def test_a_part_of_which_nothing_is_left_is_refused():
    grid = Grid((4, 4, 4), 1.0)
    with pytest.raises(
        PartError, match=r"no voxel must turn solid: 64 of 64 voxels of 1 mm touch the part and none is at least half"
    ):
        judge(torch.full((4, 4, 4), 0.4), grid, WIDE)
    with pytest.raises(PartError, match="no voxel must turn solid"):
        judge(torch.ones(4, 4, 4), grid, WIDE, inserts=[torch.ones(4, 4, 4)])


def test_bad_input():
    grid = Grid((4, 3, 2), 1.0)
    with pytest.raises(ShapeError, match="coverage has shape"):
        judge(torch.ones(4, 2, 3), grid, WIDE)
    with pytest.raises(ShapeError, match="coverage has shape"):
        judge(torch.ones(4, 3, 2), grid, WIDE, inserts=[torch.ones(2, 3, 4)])
    with pytest.raises(PartError, match=r"tolerance_mm is -1; expected a length of 0 or more"):
        judge(torch.ones(4, 3, 2), grid, WIDE, tolerance_mm=-1)
