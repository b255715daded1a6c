"""What every loss needs of the judged voxels: their number or weight, and a mean over them."""

from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.quantities import Target


def mean_over_judged(per_voxel: Tensor, target: Target) -> Tensor:
    """Weighted mean of (x, y, z) values that are 0 wherever a voxel is not judged."""
    if target.weight is None:
        return per_voxel.sum() / (target.solid.sum() + target.liquid.sum())
    weight = target.weight.to(per_voxel.dtype)
    return (per_voxel * weight).sum() / (weight * (target.solid | target.liquid)).sum()


def check(dose: Tensor, target: Target) -> None:
    """Raise ShapeError unless the dose lies on the target's grid."""
    has_axes("dose", dose, ("x", "y", "z"), target.solid.shape)
