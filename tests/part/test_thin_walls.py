"""Walls thinner than a voxel are found, measured and named."""

import math

import numpy as np
import pytest
from bodies import ball_triangles, box, box_triangles, surface

from lightlathe.part import SHAPES, coverage, grid_for, place, read_surface, thin_walls
from lightlathe.part.crossings import crossings
from lightlathe.part.shapes import Box
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


def test_a_wall_ends_where_an_insert_begins():
    """A cylinder of 2.1 mm radius around a rod of 2 mm: what is printed is a tube 0.1 mm thick, not 4.2 mm. Lines
    that meet a bent wall aslant see it up to 2 % thinner or thicker, as they do in the tube itself."""
    part, rod = SHAPES["cylinder"](2.1, 4.0), SHAPES["cylinder"](2.0, 30.0)
    report = thin_walls(part, grid_of(part, 0.25), [rod])
    tube = surface(SHAPES["tube"](2.1, 2.0, 4.0).triangles())
    assert report.thinnest_mm == pytest.approx(thin_walls(tube, grid_of(tube, 0.25)).thinnest_mm, rel=1e-5)
    assert report.thin[0].middle_mm == pytest.approx(0.1, rel=1e-3)
    assert "thinner than a voxel of 0.25 mm" in report.warnings[0]
    assert thin_walls(part, grid_of(part, 0.25)).thin == ()
    far = SHAPES["cylinder"](2.0, 30.0, at_mm=(9.0, 0.0, 0.0))
    assert thin_walls(part, grid_of(part, 0.25), [far]).thin == ()
    between = surface(box_triangles((-3, -3, -1), (3, 3, 1)))
    hole = surface(box_triangles((-2.9, -2, -5), (2.9, 2, 5)))  # leaves walls of 0.1 at x, 1 at y
    assert thin_walls(between, grid_of(between, 0.25), [hole]).thin[0].thickness_mm == pytest.approx(0.1, rel=1e-6)


def test_what_an_insert_fills_is_no_wall():
    """A plate with a fin of 0.05 mm, the fin inside the insert; and a tube whose bore is the rod's own surface, in 64
    facets, which miss the circle by 0.0012 of the radius (1 - cos(pi / 64))."""
    plate = surface(box_triangles((0, 0, 0), (5, 5, 1)), box_triangles((1, 2, 0.9), (4, 2.05, 4)))
    assert thin_walls(plate, grid_of(plate, 0.25)).thin[0].thickness_mm == pytest.approx(0.05)
    over = surface(box_triangles((0, 0, 1), (5, 5, 9)))
    assert thin_walls(plate, grid_of(plate, 0.25), [over]).thin == ()
    import trimesh

    tube = trimesh.creation.annulus(r_min=2.0, r_max=3.0, height=4.0, sections=64)
    part = surface(np.asarray(tube.triangles))
    report = thin_walls(part, grid_of(part, 0.25), [SHAPES["cylinder"](2.0, 30.0)])
    assert report.thin == ()
    alone = thin_walls(part, grid_of(part, 0.25)).thinnest_mm  # less aslant in 64 facets than in 128: 2 %
    assert report.thinnest_mm == pytest.approx(alone, rel=0.02)


@pytest.mark.parametrize(
    "shape",
    [
        SHAPES["cylinder"](2.0, 3.0, at_mm=(1.0, -2.0, 0.5)),
        SHAPES["tube"](2.0, 1.0, 3.0, at_mm=(1.0, -2.0, 0.5)),
        SHAPES["box"](2.0, 3.0, 4.0, at_mm=(1.0, -2.0, 0.5)),
        SHAPES["sphere"](2.0, at_mm=(1.0, -2.0, 0.5)),
    ],
)
def test_shapes_in_facets_are_the_shapes(shape):
    """Volume to 1e-3 (a circle in 128 facets has 4e-4 less area) and the same box; facets face outwards."""
    part = surface(shape.triangles())
    assert part.report.watertight
    assert part.volume_mm3 == pytest.approx(shape.volume_mm3, rel=1e-3)
    np.testing.assert_allclose(part.bounds_mm, shape.bounds_mm, atol=1e-3)


@pytest.mark.parametrize("size_mm", [10.0, 1000.0])
def test_an_insert_far_larger_than_the_part_is_no_more_work(size_mm):
    """A cube of 1 mm of which a block leaves 0.3 mm: looked at are the lines through the cube, whatever the block."""
    part, block = Box(1.0, 1.0, 1.0), Box(size_mm, size_mm, size_mm, (size_mm / 2 - 0.2, 0.0, 0.0))
    report = thin_walls(part, Grid((20, 20, 20), 0.5), [block])
    assert report.thinnest_mm == pytest.approx(0.3, abs=1e-6)  # heights are float64
    assert len(crossings(block.triangles(), 10)[0]) <= 2 * 10 * 10


def test_an_insert_beside_which_the_part_is_nothing_is_left_out():
    part, block = Box(1e-3, 1e-3, 1e-3), Box(100.0, 100.0, 100.0, (50.0, 0.0, 0.0))
    assert thin_walls(part, Grid((20, 20, 20), 0.5), [block]).thinnest_mm == 1e-3
