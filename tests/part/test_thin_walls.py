"""Walls thinner than a voxel are found, measured and named."""

import math

import numpy as np
import pytest
from bodies import ball_triangles, box, box_triangles, surface

from lightlathe.part import SHAPES, coverage, grid_for, place, read_surface, thin_walls
from lightlathe.quantities import Grid


def grid_of(part, voxel_mm):
    return grid_for([part], part.reach_mm, voxel_mm)


def test_the_ladder_names_each_wall_below_the_voxel(shared_meshes):
    """Walls of 0.02, 0.05, 0.1, 0.2, 0.3, 0.5 and 0.8 mm, 5 x 4 mm each (README beside the file)."""
    part = place(read_surface(shared_meshes / "wall_ladder.stl", "mm"))
    for voxel, below in (
        (0.25, (0.02, 0.05, 0.1, 0.2)),
        (0.3, (0.02, 0.05, 0.1, 0.2)),
        (0.06, (0.02, 0.05)),
        (0.01, ()),
    ):
        report = thin_walls(part, grid_of(part, voxel))
        assert [w.thickness_mm for w in report.thin] == pytest.approx(below, rel=1e-4)
        assert [w.area_mm2 for w in report.thin] == pytest.approx([20] * len(below), rel=0.02)  # lines 0.047 mm apart
        assert report.thinnest_mm == pytest.approx(0.02, rel=1e-4)
    said = thin_walls(part, grid_of(part, 0.25)).warnings
    assert "Walls 0.02 mm thick (20 mm2" in said[0]
    assert "thinner than a voxel of 0.25 mm and vanish; a voxel of 0.02 mm or less would hold them" in said[0]
    assert "and may break up; a voxel of 0.2 mm or less" in said[3]


def test_the_ladder_keeps_its_partial_fractions(shared_meshes):
    part = place(read_surface(shared_meshes / "wall_ladder.stl", "mm"))
    grid = grid_of(part, 0.25)
    upper = coverage(part, grid)[:, :, grid.shape[2] // 2 + 4].sum()
    walls = (0.02 + 0.05 + 0.1 + 0.2 + 0.3 + 0.5 + 0.8) * 5
    assert float(upper) * 0.25**2 == pytest.approx(walls, rel=1e-5)


def test_the_thin_tube(shared_meshes):
    """Wall about 0.30 mm (README). The facets of a tube are a little thinner in their middle."""
    part = place(read_surface(shared_meshes / "thin_tube.stl", "mm"))
    report = thin_walls(part, grid_of(part, 0.3))
    assert report.thinnest_mm == pytest.approx(0.3, abs=0.015)
    assert len(report.thin) == 1
    assert thin_walls(part, grid_of(part, 0.25)).thin == ()


@pytest.mark.parametrize("turn", [(0, 0, 0), (45, 0, 0), (45, 35.264, 0), (10, 20, 70), (54.7, 0, 45)])
def test_a_wall_is_as_thick_whichever_way_it_stands(turn):
    part = place(box((0, 0, 0), (6, 5, 0.137)), rotation_deg=turn)
    report = thin_walls(part, grid_of(part, 0.2))
    assert report.thinnest_mm == pytest.approx(0.137, rel=1e-6)
    assert sum(w.area_mm2 for w in report.thin) >= 30 * 0.95


def test_balls_and_blocks_have_no_thin_walls():
    """A ball thins out towards its rim, and a block has edges: neither is a wall."""
    for part in (surface(ball_triangles(4.0, rings=48)), place(box((0, 0, 0), (7, 8, 9)), rotation_deg=(33, 21, 12))):
        report = thin_walls(part, grid_of(part, 1.0))
        assert report.thin == ()
        assert report.thinnest_mm > 6


def test_a_gap_is_not_a_wall_and_overlapping_walls_are_one():
    """Two plates 0.1 apart; and a plate made of two that overlap."""
    apart = surface(box_triangles((0, 0, 0), (5, 5, 1)), box_triangles((0, 0, 1.1), (5, 5, 2.1)))
    assert thin_walls(apart, grid_of(apart, 0.3)).thinnest_mm == pytest.approx(1)
    merged = surface(box_triangles((0, 0, 0), (5, 5, 0.3)), box_triangles((0, 0, 0.2), (5, 5, 0.6)))
    assert thin_walls(merged, grid_of(merged, 0.5)).thinnest_mm == pytest.approx(0.6)


def test_a_wedge_is_named_as_a_taper():
    """A wedge from 0 to 0.5 mm over 6 mm."""
    corners = np.array([[x, y, z] for x, z in ((0, 0), (6, 0), (6, 0.5)) for y in (0, 4)], dtype=float)
    facets = [[0, 2, 4], [1, 5, 3], [0, 1, 3], [0, 3, 2], [2, 3, 5], [2, 5, 4], [0, 4, 5], [0, 5, 1]]
    part = place(surface(corners[np.array(facets)]))
    assert part.volume_mm3 == pytest.approx(6)
    report = thin_walls(part, grid_of(part, 0.25))
    (wall,) = report.thin
    assert wall.thickness_mm < 0.01
    assert wall.thickest_mm == pytest.approx(0.25, abs=0.01)
    assert wall.area_mm2 == pytest.approx(3 * 4, rel=0.03)
    assert "vanish or break up" in report.warnings[0]
    assert "would hold half of them" in report.warnings[0]


def test_shapes_know_their_thinnest_wall():
    grid = Grid((8, 8, 8), voxel_mm=0.5)
    report = thin_walls(SHAPES["tube"](3.0, 2.8, 4.0), grid)
    assert report.thinnest_mm == pytest.approx(0.2)
    assert "thinner than a voxel of 0.5 mm and vanish" in report.warnings[0]
    small = thin_walls(SHAPES["sphere"](1.25), Grid((1, 1, 1), voxel_mm=50.0)).warnings[0]
    assert small.startswith("Walls 2.5 mm thick (thinnest near x = 0, y = 0, z = 0) are thinner than a voxel of 50 mm")
    assert thin_walls(SHAPES["sphere"](3.0), grid).thin == ()


def test_a_part_too_small_for_a_wall_gives_no_number():
    """A needle of one line's width is met by fewer than three lines."""
    part = surface(box_triangles((0, 0, 0), (1e-4, 1e-4, 10)))
    assert math.isnan(thin_walls(part, grid_of(part, 0.1)).thinnest_mm)
