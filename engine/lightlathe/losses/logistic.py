"""How unlikely the wanted cure is, when cure is a smooth step in dose."""

from dataclasses import dataclass

from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check, mean_over_judged
from lightlathe.quantities import Target
from lightlathe.support.sums import softplus


@dataclass(frozen=True)
class Logistic:
    """Weighted mean of log(1 + exp(k (1 - D))) in the part and log(1 + exp(k (D - 1))) elsewhere, in nats.

    That is the cross-entropy of cure = 1 / (1 + exp(-k (D - 1))) against what is wanted; D in units of the gel dose.

    steepness   k, without unit; 5 is gentle, 20 good, 60 nearly counts wrong voxels

    Use it when some voxels must be given up: unlike the extremes of SoftWindow it does not spend all light on the
    worst voxel. It never reaches 0, so the window goes on growing after the last wrong voxel is gone.
    Source: logistic loss, Hastie, Tibshirani & Friedman, The Elements of Statistical Learning (2009), section 10.6.
    """

    steepness: float = 20.0

    def __post_init__(self) -> None:
        if self.steepness <= 0:
            raise JobError(f"logistic: steepness is {self.steepness}; expected a number above 0.")

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        check(dose, target)
        excess = self.steepness * (dose - 1)
        signed = excess * target.liquid - excess * target.solid
        return mean_over_judged(softplus(signed) * (target.solid | target.liquid), target)
