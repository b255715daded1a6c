"""Meshes made for tests, from facts of geometry alone: corners and facets by hand, or a convex hull of known planes."""

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from lightlathe.part import Surface, surface_from_triangles
from mesh_samples import BOX


def box_triangles(low, high) -> np.ndarray:
    """(12, 3, 3) facets of a box between two corners."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    bits = np.array([[i >> 2 & 1, i >> 1 & 1, i & 1] for i in range(8)])
    return np.where(bits == 1, high, low)[np.array(BOX)]


def box(low, high) -> Surface:
    return surface(box_triangles(low, high))


def surface(*triangles: np.ndarray) -> Surface:
    """One mesh of several heaps of facets."""
    return surface_from_triangles(np.concatenate(triangles), "made for a test")


def hull(points: np.ndarray) -> tuple[Surface, np.ndarray]:
    """The convex hull of points, and its planes (p, 4): a point x is inside where planes @ (x, 1) <= 0 for all."""
    found = ConvexHull(points)
    triangles = points[found.simplices]
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    backwards = np.einsum("ij,ij->i", normals, found.equations[:, :3]) < 0
    triangles[backwards] = triangles[backwards][:, ::-1]
    return surface(triangles), found.equations


def ball_triangles(radius: float, middle=(0.0, 0.0, 0.0), rings: int = 48) -> np.ndarray:
    """(f, 3, 3) facets of a ball from circles of latitude; corners on the sphere, so the volume is a little less."""
    theta = np.linspace(0, np.pi, rings + 1)
    phi = np.linspace(0, 2 * np.pi, 2 * rings + 1)
    phi[-1] = 0.0  # the same place to the last bit
    t, p = np.meshgrid(theta, phi, indexing="ij")
    s = np.sin(t)
    s[0] = s[-1] = 0.0
    points = radius * np.stack([s * np.cos(p), s * np.sin(p), np.cos(t)], axis=-1) + np.asarray(middle)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    both = np.concatenate([np.stack([a, b, c], 2).reshape(-1, 3, 3), np.stack([a, c, d], 2).reshape(-1, 3, 3)])
    flat = (both == np.roll(both, 1, axis=1)).all(axis=2).any(axis=1)
    return both[~flat]


CUBE = box_triangles((0, 0, 0), (2, 3, 4))


def assert_is_the_cube(part, scale=1.0):
    np.testing.assert_allclose(part.size_mm, np.array([2, 3, 4]) * scale, rtol=1e-6)
    assert part.volume_mm3 == pytest.approx(24 * scale**3, rel=1e-6)
    assert part.report.watertight
