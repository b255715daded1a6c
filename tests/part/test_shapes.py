"""Analytic parts: covered fractions against closed forms and against points counted in each voxel."""

import math

import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st

from lightlathe.errors import PartError
from lightlathe.part import SHAPES, coverage, fit
from lightlathe.part.lattice import Lattice
from lightlathe.part.shapes import Box, Cylinder, Sphere, Tube
from lightlathe.quantities import Grid

GRID = Grid((21, 20, 19), voxel_mm=0.2)
EXAMPLES = {
    "cylinder": (Cylinder(1.1, 1.7, (0.13, -0.21, 0.07)), math.pi * 1.1**2 * 1.7),
    "tube": (Tube(1.5, 0.9, 2.3, (0.05, 0.11, -0.3)), math.pi * (1.5**2 - 0.9**2) * 2.3),
    "box": (Box(1.3, 2.1, 0.7, (0.13, 0.02, -0.6)), 1.3 * 2.1 * 0.7),
    "sphere": (Sphere(1.4, (-0.11, 0.2, 0.06)), 4 / 3 * math.pi * 1.4**3),
    # 4, 3 and 2 struts of 0.3: bars along z, x and y, less the 24 crossings that were counted three times, not once
    "lattice": (
        Lattice(0.3, 0.7, 2.5, 1.9, 1.2, (0.13, -0.07, 0.21)),
        0.3**2 * (12 * 1.0 + 6 * 2.4 + 8 * 1.7) - 2 * 24 * 0.3**3,
    ),
}


def test_a_sphere_beyond_the_grid_is_no_work(monkeypatch):
    """A thousand slices that no part of its surface crosses are not cut one by one."""
    monkeypatch.setattr("lightlathe.part.shapes._disc", lambda *_: pytest.fail("a disc was cut"))
    assert bool((Sphere(767.0, (0.5, 0.0, 0.0)).coverage(Grid((16, 16, 1000), voxel_mm=0.25)) == 1).all())


def inside(shape, x, y, z):
    """The textbook inequality of each shape."""
    x, y, z = x - shape.at_mm[0], y - shape.at_mm[1], z - shape.at_mm[2]
    if isinstance(shape, Sphere):
        return x**2 + y**2 + z**2 < shape.radius_mm**2
    if isinstance(shape, Box):
        return (abs(x) < shape.x_mm / 2) & (abs(y) < shape.y_mm / 2) & (abs(z) < shape.z_mm / 2)
    if isinstance(shape, Lattice):
        slabs = []
        for n, u in zip((4, 3, 2), (x, y, z), strict=True):
            u = u + ((n - 1) * 0.7 + 0.3) / 2
            slabs.append(((u >= 0) & (u < (n - 1) * 0.7 + 0.3), u % 0.7 < 0.3))
        (ex, a), (ey, b), (ez, c) = slabs
        return ex & ey & ez & ((a & b) | (b & c) | (c & a))
    outer = getattr(shape, "outer_radius_mm", None) or shape.radius_mm
    inner = getattr(shape, "inner_radius_mm", 0)
    return (np.hypot(x, y) < outer) & (np.hypot(x, y) >= inner) & (abs(z) < shape.height_mm / 2)


def test_every_shape_is_in_the_examples():
    assert set(SHAPES) == set(EXAMPLES)
    assert all(isinstance(EXAMPLES[name][0], kind) for name, kind in SHAPES.items())


@pytest.mark.parametrize("name", SHAPES)
def test_volume_and_bounds(name):
    shape, volume = EXAMPLES[name]
    assert shape.volume_mm3 == pytest.approx(volume, rel=1e-15)
    found = coverage(shape, GRID)
    assert (found.shape, found.dtype) == (GRID.shape, torch.float32)
    # float32 fractions add up to 1e-7 each; a sphere's are good to 1e-3 in some 1000 surface voxels of 1400
    assert float(found.sum(dtype=torch.float64)) * GRID.voxel_mm**3 == pytest.approx(
        volume, rel=1e-6 if name != "sphere" else 1e-4
    )
    filled = torch.nonzero(found > 0)
    for axis in range(3):
        low, high = GRID.centres_mm(axis)[filled[:, axis].min()], GRID.centres_mm(axis)[filled[:, axis].max()]
        assert low - 0.1 <= shape.bounds_mm[0, axis] + 1e-9 <= low + 0.1 + 2e-9
        assert high - 0.1 - 2e-9 <= shape.bounds_mm[1, axis] - 1e-9 <= high + 0.1


@pytest.mark.parametrize("name", SHAPES)
def test_each_voxel_against_points_counted_in_it(name):
    shape, _ = EXAMPLES[name]
    n = 16
    steps = ((np.arange(n) + 0.5) / n - 0.5) * GRID.voxel_mm
    found = coverage(shape, GRID).numpy()
    partial = np.argwhere((found > 0.01) & (found < 0.99))[::7]
    assert len(partial) > 20
    centres = np.stack([GRID.centres_mm(a).numpy()[partial[:, a]] for a in range(3)], axis=1)
    x, y, z = (
        centres[:, a].reshape(-1, 1, 1, 1) + steps.reshape([-1 if b == a else 1 for b in range(3)]) for a in range(3)
    )
    expected = inside(shape, x, y, z).mean(axis=(1, 2, 3))
    # n^3 points place a face along the axes to 1/(2 n) of a voxel, and a strut's two faces to twice that
    faces = 2 if name == "lattice" else 1
    np.testing.assert_allclose(found[tuple(partial.T)], expected, atol=faces / (2 * n) + 1e-3)


@pytest.mark.parametrize("name", SHAPES)
def test_reach_is_the_farthest_point_from_the_axis(name):
    shape, _ = EXAMPLES[name]
    angle = np.linspace(0, 2 * np.pi, 2001)
    r = np.linspace(0, 3, 3001)
    x, y = np.outer(r, np.cos(angle)), np.outer(r, np.sin(angle))
    assert shape.reach_mm == pytest.approx(
        r[inside(shape, x, y, shape.at_mm[2]).any(axis=1)].max(), abs=5e-3
    )  # steps of 1e-3 in r, 3e-3 in angle


@settings(max_examples=40, deadline=None)
@given(st.floats(0.05, 3), st.floats(-1, 1), st.floats(-1, 1))
def test_discs_of_any_size_and_place_keep_their_area(radius, x, y):
    grid = Grid((43, 42, 1), voxel_mm=0.2)
    area = float(Cylinder(radius, 0.2, (x, y, 0)).coverage(grid).sum(dtype=torch.float64)) * 0.2**2
    assert area == pytest.approx(math.pi * radius**2, rel=1e-6)  # float32 fractions


def test_a_shape_beyond_the_grid_is_cut_off():
    small = Grid((4, 4, 4), voxel_mm=0.2)
    for shape in (Cylinder(5, 9), Box(9, 9, 9), Sphere(5)):
        assert bool((shape.coverage(small) == 1).all())
    assert float(Sphere(0.1, (9, 9, 9)).coverage(small).max()) == 0


@pytest.mark.parametrize(
    ("kind", "lengths", "message"),
    [
        ("cylinder", (0, 1), "cylinder: radius_mm is 0; expected a length above 0"),
        ("sphere", (math.nan,), "sphere: radius_mm is nan"),
        ("box", (1, -1, 1), "box: y_mm is -1"),
        ("lattice", (0.2, 0.2, 1, 1, 1), r"lattice: pitch_mm is 0\.2 and strut_mm 0\.2; expected a pitch above"),
        ("lattice", (0.2, 0.4, 1, 0.1, 1), "expected 1 to 2000 along each axis"),
        ("tube", (1, 1.5, 2), r"tube: inner_radius_mm is 1\.5 and outer_radius_mm 1"),
    ],
)
def test_bad_lengths(kind, lengths, message):
    with pytest.raises(PartError, match=message):
        SHAPES[kind](*lengths)
    with pytest.raises(PartError, match="at_mm"):
        SHAPES["sphere"](1.0, at_mm=(0, 0))


def test_a_round_shape_fits_by_its_radius_not_by_its_box():
    report = fit(Sphere(5.0), vial_radius_mm=5.5, resin_height_mm=12, field_width_mm=12, field_height_mm=12)
    assert report.fits
    assert report.wall_clearance_mm == pytest.approx(0.5)


def test_a_lattice_is_closed_and_its_mesh_is_as_large():
    """Its facets against the closed form of its volume, by trimesh."""
    import trimesh

    lattice, volume = EXAMPLES["lattice"]
    mesh = trimesh.Trimesh(**trimesh.triangles.to_kwargs(lattice.triangles()))
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(volume, rel=1e-9)
    np.testing.assert_allclose(mesh.bounds, lattice.bounds_mm, atol=1e-12)
    assert lattice.struts == (4, 3, 2)
    assert Lattice(0.02, 0.1, 1.02, 1.02, 0.42).struts == (11, 11, 5)  # rounding leaves none out
