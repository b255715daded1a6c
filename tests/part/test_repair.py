"""Mending facets: what is dropped, joined or turned, and that the report counts it."""

import numpy as np
import pytest
from bodies import CUBE, ball_triangles, box, box_triangles, surface

from lightlathe.errors import MeshError
from lightlathe.part import surface_from_triangles


def test_a_clean_body_is_left_alone():
    part = surface(CUBE)
    assert (part.report.triangles, part.report.components, len(part.vertices_mm)) == (12, 1, 8)
    assert part.report.watertight
    assert part.warnings == ()
    assert part.volume_mm3 == 24


def test_copies_and_flat_facets_are_dropped_and_counted():
    point, needle = np.zeros((1, 3, 3)), np.array([[[0, 0, 0], [1, 1, 1], [2, 2, 2]]], dtype=float)
    part = surface(CUBE, CUBE[3:5], np.roll(CUBE[:1], 1, axis=1), point, needle)
    assert (part.report.triangles, part.report.dropped_duplicates, part.report.dropped_flat) == (12, 3, 2)
    assert part.report.watertight


def test_flat_facets_that_close_a_seam_stay():
    """One long edge met by two short ones: the flat facet between them closes the mesh, and it has no area anyway."""
    a, b, c = CUBE[0]
    middle = (a + b) / 2
    split = np.array([[a, middle, c], [middle, b, c]])
    flat = np.array([[a, b, middle]])
    assert surface(CUBE[1:], split).report.open_edges == 3
    part = surface(CUBE[1:], split, flat)
    assert part.report.watertight
    assert part.report.dropped_flat == 0
    assert part.volume_mm3 == pytest.approx(24)


def test_stray_facets_are_turned_with_their_neighbours():
    facets = CUBE.copy()
    facets[[2, 7]] = facets[[2, 7]][:, ::-1]
    part = surface(facets)
    assert part.report.flipped_facets == 2
    assert part.report.watertight
    assert part.volume_mm3 == 24
    assert "2 facets faced against their neighbours" in part.warnings[0]


def test_a_one_sided_band_stays_as_it_is():
    """A Moebius band cannot be made consistent; beside a cube it must not stop the cube from being read."""
    n = 12
    u = np.linspace(0, 2 * np.pi, n + 1)
    rim = [np.stack([(5 + s * np.cos(u / 2)) * np.cos(u), (5 + s * np.cos(u / 2)) * np.sin(u), s * np.sin(u / 2)], 1)
           for s in (-0.5, 0.5)]  # fmt: skip
    rim[0][-1], rim[1][-1] = rim[1][0], rim[0][0]
    a, b, c, d = rim[0][:-1], rim[0][1:], rim[1][1:], rim[1][:-1]
    band = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    part = surface(CUBE, band)
    assert part.report.flipped_facets == 0
    assert part.report.components == 2


def test_seams_of_float32_rounding_are_joined():
    """Half of a ball written through float32 about another origin: seams of a few 1e-6 mm that no eye sees."""
    ball = ball_triangles(5.0, (30, 0, 0), rings=16)
    shifted = (ball[::2].astype(np.float32) - np.float32(1e-6)).astype(float)
    part = surface(shifted, ball[1::2].astype(np.float32).astype(float))
    assert part.report.watertight
    assert 0 < part.report.welded_mm < 2e-5
    assert "open seams were closed by joining corners" in part.warnings[0]


def test_real_gaps_are_not_joined():
    gap = CUBE.copy()
    gap[0] += 1e-3
    part = surface(gap)
    assert part.report.welded_mm == 0
    assert not part.report.watertight


def test_bodies_that_share_an_edge_are_counted_and_kept():
    """Two cubes that touch along one edge: four facets meet there, and that is no fault."""
    part = surface(CUBE, box_triangles((2, 3, 0), (4, 6, 4)))
    assert part.report.non_manifold_edges == 1
    assert part.report.watertight
    assert part.volume_mm3 == 48


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_numbers_that_are_not_finite_never_get_through(bad):
    facets = CUBE.copy()
    facets[4, 1, 2] = bad
    with pytest.raises(
        MeshError, match=r"1 of 12 facets have a corner that is not a finite number \(the first is facet 5\)"
    ):
        surface_from_triangles(facets, "x")


@pytest.mark.parametrize(
    "facets",
    [CUBE[:1], CUBE[:2], np.concatenate([CUBE[:2], CUBE[:2][:, ::-1]]), np.zeros((3, 3, 3))],
    ids=["one facet", "a sheet", "a sheet with two sides", "points"],
)
def test_what_encloses_nothing_is_refused(facets):
    with pytest.raises(MeshError, match="encloses nothing"):
        surface_from_triangles(facets, "sheet.stl")


def test_a_thin_foil_is_not_nothing():
    assert box((0, 0, 0), (10, 10, 1e-6)).volume_mm3 == pytest.approx(1e-4)


def test_many_cavities_are_told_from_inverted_bodies():
    """A block with a cavity in each of 6^3 cells, and two loose blocks beside it that face inwards."""
    cells = np.array([[x, y, z] for x in range(6) for y in range(6) for z in range(6)]) + 0.2
    cavities = [box_triangles(c, c + 0.5)[:, ::-1] for c in cells]
    loose = [box_triangles((8, y, 0), (9, y + 1, 3))[:, ::-1] for y in (0, 2)]
    part = surface(box_triangles((0, 0, 0), (6, 6, 6)), *cavities, *loose)
    assert part.report.components == 1 + 6**3 + 2
    assert part.report.flipped_components == 2
    assert part.volume_mm3 == pytest.approx(6**3 - 6**3 * 0.125 + 2 * 3)


def test_an_island_in_the_cavity_of_an_inverted_body_turns_with_it():
    shells = [box_triangles((-s, -s, -s), (s, s, s)) for s in (3, 2, 1)]
    good = box_triangles((10, 0, 0), (20, 10, 10))  # so that the whole is not inside out
    part = surface(good, shells[0][:, ::-1], shells[1], shells[2][:, ::-1])
    assert part.volume_mm3 == pytest.approx(1000 + 216 - 64 + 8)
    assert part.report.flipped_components == 3


def test_the_report_in_one_line():
    part = surface(CUBE[:, ::-1], CUBE[:2, ::-1])
    assert part.report.text() == (
        "made for a test: 2 x 3 x 4 mm as placed (read in mm), 24 mm3, 12 triangles, 1 component, watertight; "
        "2 copies and 0 flat facets left out, 1 inward component turned"
    )
    assert surface(CUBE).report.text().endswith("watertight; nothing to mend")
