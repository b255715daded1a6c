"""Holes of an open mesh, closed by caps; and the generalised winding number, which defines its inside.

An open mesh has no well-defined inside, but the generalised winding number gives one: w(p) = solid angle of all
facets seen from p, over 4 pi; inside is w > 1/2. Put caps over the holes and the mesh with its caps closes, so that
w = n - (winding number of the caps), where n is a whole number that signed crossings of one ray give exactly.
Only the caps, few and small, need solid angles.

Sources: A. Jacobson, L. Kavan, O. Sorkine-Hornung, "Robust inside-outside segmentation using generalized winding
numbers", ACM Trans. Graph. 32 (2013) 33; solid angle of a triangle: A. van Oosterom, J. Strackee, IEEE Trans.
Biomed. Eng. 30 (1983) 125.
"""

import math

import numpy as np
from numpy.typing import NDArray

from lightlathe.part.inner import inner


def caps(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Facets that close a mesh: (points, cap faces). Points are the vertices, then one new point for each hole.

    A hole is a connected set of open edges; its cap is the fan from their middle. Edges used k times too often in one
    direction get k cap facets, so that the mesh with its caps closes whatever the mesh is.
    """
    from lightlathe.part.edges import components, edges

    ends, _, _, net = edges(faces)
    rim, times = ends[net != 0], net[net != 0]
    if len(rim) == 0:
        return vertices, np.empty((0, 3), dtype=np.int64)
    n = len(vertices)
    _, hole = np.unique(components(rim, n)[rim[:, 0]], return_inverse=True)
    middle = np.stack([np.bincount(hole, vertices[rim].mean(1)[:, axis]) for axis in range(3)], axis=1)
    middle /= np.bincount(hole)[:, None]
    apex = n + hole
    back = np.where(times[:, None] > 0, np.stack([rim[:, 1], rim[:, 0]], 1), rim)  # against the way it is overused
    fan = np.column_stack([back, apex])
    return np.concatenate([vertices, middle]), np.repeat(fan, np.abs(times), axis=0)


@inner
def winding_at(x, y, z, triangles):
    """Winding number of triangles (t, 3, 3) about one point; a triangle that holds the point counts 0."""
    total = 0.0
    for t in range(len(triangles)):
        ax, ay, az = triangles[t, 0, 0] - x, triangles[t, 0, 1] - y, triangles[t, 0, 2] - z
        bx, by, bz = triangles[t, 1, 0] - x, triangles[t, 1, 1] - y, triangles[t, 1, 2] - z
        cx, cy, cz = triangles[t, 2, 0] - x, triangles[t, 2, 1] - y, triangles[t, 2, 2] - z
        a, b, c = (
            math.sqrt(ax * ax + ay * ay + az * az),
            math.sqrt(bx * bx + by * by + bz * bz),
            math.sqrt(cx * cx + cy * cy + cz * cz),
        )
        volume = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
        reach = (
            a * b * c
            + (ax * bx + ay * by + az * bz) * c
            + (bx * cx + by * cy + bz * cz) * a
            + (cx * ax + cy * ay + cz * az) * b
        )
        if volume != 0.0:
            total += math.atan2(volume, reach)
    return total / (2 * math.pi)


def spans(cap_corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """(h, 5): middle x, y, z, radius and area of each hole's cap; cap facets (l, 3, 3) share their last corner."""
    if len(cap_corners) == 0:
        return np.empty((0, 5))
    middles, hole = np.unique(cap_corners[:, 2], axis=0, return_inverse=True)
    hole = hole.reshape(-1)
    a, b, c = np.moveaxis(cap_corners, 1, 0)
    area = np.bincount(hole, np.linalg.norm(np.cross(a - c, b - c), axis=1) / 2)
    radius = np.zeros(len(middles))
    np.maximum.at(radius, hole, np.linalg.norm(a - c, axis=1))
    np.maximum.at(radius, hole, np.linalg.norm(b - c, axis=1))
    return np.column_stack([middles, radius, area]).astype(np.float64)


@inner
def near_holes(x, y, z, holes):
    """False only where the winding number of all caps together is surely below one half in size: a cap of area A seen
    from a distance d fills at most A / d^2 of the sphere's 4 pi."""
    bound = 0.0
    for h in range(len(holes)):
        dx, dy, dz = holes[h, 0] - x, holes[h, 1] - y, holes[h, 2] - z
        d = math.sqrt(dx * dx + dy * dy + dz * dz) - holes[h, 3]
        if d <= 0.0:
            return True
        bound += holes[h, 4] / (4 * math.pi * d * d)
    return bound >= 0.5
