"""What every loss needs of the judged voxels: a mean over them, their weights, the dose wanted in the part."""

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.quantities import Target
from lightlathe.support.sums import total


def check(dose: Tensor, target: Target) -> None:
    """Raise ShapeError unless the dose lies on the target's grid."""
    has_axes("dose", dose, ("x", "y", "z"), target.solid.shape)


def weights(target: Target, dose: Tensor) -> Tensor:
    """(x, y, z) in the dose's dtype: the weight of each judged voxel, 0 where a voxel is not judged."""
    judged = (target.solid | target.liquid).to(dose.dtype)
    return judged if target.weight is None else judged * target.weight.to(dose.dtype)


def mean_over_judged(per_voxel: Tensor, target: Target) -> Tensor:
    """Weighted mean of (x, y, z) values that are 0 wherever a voxel is not judged."""
    if target.weight is None:
        return total(per_voxel) / (target.solid.sum() + target.liquid.sum())
    weight = weights(target, per_voxel)
    return total(per_voxel * weight) / total(weight)


def wanted_dose(target: Target, part_dose: float, like: Tensor) -> Tensor:
    """(x, y, z): the target's own dose where it has one, else `part_dose`; in units of the gel dose."""
    return torch.full_like(like, part_dose) if target.dose is None else target.dose.to(like.dtype)
