"""Opaque rods in a vial: their covered fractions by counting points, operators with their shadows."""

import math
from collections.abc import Sequence
from dataclasses import replace

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
