"""A corridor of dose for each voxel of the part, so that stiffness can vary; little dose everywhere else."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check, mean_over_judged, wanted_dose
from lightlathe.quantities import Target


@dataclass(frozen=True)
class DoseCorridor:
    """Weighted mean of relu(|D - wanted| - tolerance)^2 in the part and relu(D - outside_at_most)^2 elsewhere.

    part_dose         wanted in the part, in units of the gel dose, where the target names no dose of its own
    tolerance         half width of the corridor, in units of the gel dose
    outside_at_most   dose that voxels outside the part may take

    Use it for graded parts (conversion, and with it stiffness, follows dose), or to keep the part from over-curing:
    a corridor of 1.05 to 1.3 costs little of the process window.
    Source: the insensitive band of Vapnik, The Nature of Statistical Learning Theory (1995), chapter 6, from memory.
    """

    part_dose: float = 1.2
    tolerance: float = 0.1
    outside_at_most: float = 0.9

    def __post_init__(self) -> None:
        if self.tolerance < 0 or self.outside_at_most < 0 or self.part_dose <= 0:
            raise JobError(
                f"dose_corridor: tolerance is {self.tolerance}, outside_at_most {self.outside_at_most}, part_dose "
                f"{self.part_dose}; expected 0 or more, 0 or more, and above 0."
            )

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        check(dose, target)
        away = (dose - wanted_dose(target, self.part_dose, dose)).abs() - self.tolerance
        amiss = torch.where(target.solid, away, (dose - self.outside_at_most) * target.liquid)
        return mean_over_judged(torch.relu(amiss).square(), target)
