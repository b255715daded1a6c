"""The plain squared error of the dose against a wanted dose."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check, mean_over_judged, wanted_dose
from lightlathe.quantities import Target


@dataclass(frozen=True)
class SquaredError:
    """Weighted mean over the judged voxels of (D - wanted)^2, in units of the gel dose squared.

    part_dose   wanted in the part, where the target names no dose of its own
    void_dose   wanted elsewhere

    Use it as the yardstick: it has a known global optimum (non-negative least squares). It is the wrong question for a
    resin with a threshold: its optimum leaves wrong voxels, more of them the stronger the absorption.
    Source: least squares; optimum by Lawson & Hanson, Solving Least Squares Problems (1974), chapter 23.
    """

    part_dose: float = 2.0
    void_dose: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.void_dose < self.part_dose:
            raise JobError(
                f"squared_error: void_dose is {self.void_dose} and part_dose {self.part_dose}; expected "
                "0 <= void_dose < part_dose, in units of the gel dose."
            )

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        check(dose, target)
        wanted = torch.where(target.solid, wanted_dose(target, self.part_dose, dose), self.void_dose)
        return mean_over_judged((dose - wanted).square() * (target.solid | target.liquid), target)
