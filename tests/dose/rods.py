"""Opaque rods in a vial: their covered fractions by counting points, operators with their shadows."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import torch
from torch import Tensor

from lightlathe.dose import DoseOperator
from lightlathe.quantities import Grid, Shadows
from operators import operator

POINTS = 10  # across a voxel


def rod(grid: Grid, radius: float, at: tuple[float, float] = (0.0, 0.0), slices: slice = slice(None)) -> Tensor:
    """(x, y, z) covered fraction of a rod along z, in some slices."""
    inner = ((torch.arange(POINTS).double() + 0.5) / POINTS - 0.5) * grid.voxel_mm
    x, y = ((grid.centres_mm(axis)[:, None] + inner).flatten() - at[axis] for axis in (0, 1))
    inside = (x[:, None].square() + y.square() < radius**2).double()
    covered = inside.unflatten(0, (-1, POINTS)).unflatten(2, (-1, POINTS)).mean((1, 3))
    volume = torch.zeros(grid.shape)
    volume[:, :, slices] = covered.float()[:, :, None]
    return volume


def shadowed(covered: Tensor | Sequence[Tensor], *args, **settings) -> DoseOperator:
    """As `operators.operator`, with an insert that covers so much of each voxel of its grid."""
    a = operator(*args, **settings)
    whole = covered if isinstance(covered, Tensor) else torch.stack(list(covered)).amax(0)
    return with_shadows(a, Shadows.of(whole, a.grid, a.optics.vial_radius_mm))


def with_shadows(a: DoseOperator, shadows: Shadows | None) -> DoseOperator:
    """The same operator with other shadows."""
    return DoseOperator(replace(a.optics, shadows=shadows), a.grid, a.backend, gain=a.gain, directions=a.directions)


def lit_share(away: Tensor, radius: float) -> Tensor:
    """Share of all directions from which light reaches a point `away` from the axis of an opaque rod: the rod is seen
    under an angle of 2 asin(radius / away)."""
    return 1 - torch.asin(radius / away) / math.pi


def levels_at(shadows: Shadows, x: np.ndarray, y: np.ndarray, k: int) -> np.ndarray:
    """The covered fraction at points: linear in the four triangles from a square's middle to its sides, as weights of
    the middle and of the side's two corners. Written from that definition."""
    levels = np.pad(shadows.covered[:, :, k].numpy().astype(float) / 255, 40)
    u, v = ((p - first) / shadows.voxel_mm + 40 for p, first in zip((x, y), shadows.first_mm, strict=True))
    i, j = np.floor(u).astype(int), np.floor(v).astype(int)
    u, v = u - i, v - j
    a, b, c, d = levels[i, j], levels[i + 1, j], levels[i + 1, j + 1], levels[i, j + 1]
    middle = (a + b + c + d) / 4
    low, right = v <= np.minimum(u, 1 - u), u >= np.maximum(v, 1 - v)
    high = v >= np.maximum(u, 1 - u)
    sides = [
        2 * v * middle + (u - v) * b + (1 - u - v) * a,
        2 * (1 - u) * middle + (u - v) * b + (u + v - 1) * c,
        2 * (1 - v) * middle + (v - u) * d + (u + v - 1) * c,
        2 * u * middle + (v - u) * d + (1 - u - v) * a,
    ]
    return np.select([low, right, high], sides[:3], sides[3])
