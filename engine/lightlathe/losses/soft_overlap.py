"""The overlap of print and part that a report states, softened."""

from dataclasses import dataclass

from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check, weights
from lightlathe.quantities import Target
from lightlathe.support.sums import sigmoid, total


@dataclass(frozen=True)
class SoftOverlap:
    """1 - (sum of w c in the part) / (sum of w in the part + sum of w c elsewhere), c = 1 / (1 + exp(-k (D - 1))).

    The Jaccard index (intersection over union) with a smooth cure c; 0 is a perfect print, 1 none of it. No unit.

    steepness   k, without unit; D in units of the gel dose

    Use it to polish a design whose figure of merit is the overlap itself. Start it from a filtered start: from even
    light some parts never come right, because voxels far from the threshold no longer pull.
    Source: soft Jaccard, Rahman & Wang, ISVC 2016, LNCS 10072, 234, from memory.
    """

    steepness: float = 20.0

    def __post_init__(self) -> None:
        if self.steepness <= 0:
            raise JobError(f"soft_overlap: steepness is {self.steepness}; expected a number above 0.")

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        check(dose, target)
        weight = weights(target, dose)
        cured = sigmoid(self.steepness * (dose - 1)) * weight
        right = total(cured * target.solid)
        return 1 - right / (total(weight * target.solid) + total(cured * target.liquid))
