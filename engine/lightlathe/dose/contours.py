"""The edges of opaque cross-sections, as segments: where the covered fraction is a half between voxels' centres."""

import numpy as np
from numpy.typing import NDArray

from lightlathe.quantities.shadows import EDGE, Shadows

Floats = NDArray[np.float64]
CORNERS = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])  # of a square of four voxels' centres, around it


def segments(shadows: Shadows) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """x and y (segment, 2) mm of the ends of the segments, class by class, and where each class starts (class + 1,).

    Every square of four voxels' centres is cut into four triangles that meet in its middle, where the fraction is
    the mean of its corners', and is linear in each: an edge then crosses a triangle in one segment, and segments of
    neighbouring triangles meet. Their outlines are closed. A rod of 6 voxels' radius comes out 0.02 of a voxel too
    thin in the mean, and within 0.15 of one everywhere. Source: marching squares with the square's middle, as
    Lorensen & Cline, Computer Graphics 21 (1987) 163, in the plane.
    """
    padded = np.pad(shadows.covered.permute(2, 0, 1).numpy(), ((0, 0), (1, 1), (1, 1)))
    corners = padded[:, :-1, :-1], padded[:, 1:, :-1], padded[:, 1:, 1:], padded[:, :-1, 1:]
    k, i, j = np.nonzero((np.maximum.reduce(corners) > EDGE) & (np.minimum.reduce(corners) < EDGE))
    levels = np.stack([corner[k, i, j] for corner in corners], 1) - EDGE
    place = np.stack([i, j], 1) - 1.0  # of the corner with the lower x and y; the array was padded by one voxel
    middle, centre = levels.mean(1), place + 0.5  # of each square
    found, classes = [], []
    for side in range(4):
        other = (side + 1) % 4
        values = np.stack([middle, levels[:, side], levels[:, other]], 1)
        points: Floats = np.stack([centre, place + CORNERS[side], place + CORNERS[other]], 1, dtype=np.float64)
        lone = _lone(values)
        crossed = lone >= 0
        found.append(_across(values[crossed], points[crossed], lone[crossed]))
        classes.append(k[crossed])
    which = np.concatenate(classes)
    order = np.argsort(which, kind="stable")
    ends = np.concatenate(found)[order] * shadows.voxel_mm + np.array(shadows.first_mm)
    start = np.searchsorted(which[order], np.arange(shadows.covered.shape[2] + 1))
    return np.ascontiguousarray(ends[:, :, 0]), np.ascontiguousarray(ends[:, :, 1]), start


def _lone(values: Floats) -> NDArray[np.int64]:
    """(triangle,) the corner that lies on another side of the edge than the other two; -1 where all lie on one."""
    inside = values > 0
    count = inside.sum(1)
    lone = np.where(count == 1, inside.argmax(1), (~inside).argmax(1))
    return np.where((count == 0) | (count == 3), -1, lone)


def _across(values: Floats, points: Floats, lone: NDArray[np.int64]) -> Floats:
    """(triangle, 2, 2) the ends of the segment that cuts off the lone corner: linear along the two sides from it.

    Each side is taken from its corner with the lower x, then y, so that both triangles beside it get the same bits.
    """
    row = np.arange(len(lone))
    ends = []
    for step in (1, 2):
        other = (lone + step) % 3
        a, b = points[row, lone], points[row, other]
        back = (b[:, 0] < a[:, 0]) | ((b[:, 0] == a[:, 0]) & (b[:, 1] < a[:, 1]))
        first, last = np.where(back, other, lone), np.where(back, lone, other)
        share = values[row, first] / (values[row, first] - values[row, last])
        ends.append(points[row, first] + share[:, None] * (points[row, last] - points[row, first]))
    return np.stack(ends, 1)
