"""How much each voxel counts in a loss."""

import dataclasses

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import JobError
from lightlathe.quantities import Target

LEAST = 0.02  # a half covered voxel still counts a little: it must go one way or the other


def weighted(target: Target, *, coverage: Tensor | None = None, solid: float = 1.0, liquid: float = 1.0) -> Target:
    """The target with a weight for each voxel.

    coverage       (x, y, z) covered fraction c of each voxel: it counts |2 c - 1|, at least LEAST
    solid, liquid  factors of the two classes

    |2 c - 1| is what a voxel costs the true shape when it comes out wrong rather than right: 1 for one well inside or
    outside, nothing for one that the surface halves. Designs weighted so print truer on a finer grid
    (benchmarks/QUALITY.md); sharp losses, which see the worst voxel only, gain the least.
    """
    if not (solid > 0 and liquid > 0):
        raise JobError(f"the weights of the classes are {solid} and {liquid}; expected numbers above 0.")
    weight = torch.where(target.solid, float(solid), float(liquid))
    if coverage is not None:
        has_axes("coverage", coverage, ("x", "y", "z"), target.solid.shape)
        weight = weight * (2 * coverage.to(weight) - 1).abs().clamp(min=LEAST)
    return dataclasses.replace(target, weight=weight)
