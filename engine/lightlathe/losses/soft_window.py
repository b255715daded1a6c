"""The process window itself, softened: the worst voxel of either class, by a log-sum-exp of rising sharpness."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check
from lightlathe.quantities import Target


@dataclass(frozen=True)
class SoftWindow:
    """log(sum exp(k (1 - D)) over the part + sum exp(k (D - 1)) over the rest) / k, in units of the gel dose.

    For k to infinity it is max(1 - min D in the part, max D outside - 1), whose minimum over patterns of any scale
    is (r - 1) / (r + 1) for r = max outside / min inside: the widest relative window 1 - r.
    It exceeds that limit by at most log(number of judged voxels) / k.

    sharpness   k of each stage, without unit (doses are in units of the gel dose)
    until       share of the iterations at which each stage but the last ends

    Use it for the widest process window. Call it at one stage: the whole object means its last.
    Source: log-sum-exp bounds, Boyd & Vandenberghe, Convex Optimization (2004), section 3.1.5.
    """

    sharpness: tuple[float, ...] = (10.0, 30.0, 100.0, 300.0, 1000.0)
    until: tuple[float, ...] = (0.05, 0.125, 0.25, 0.5)

    def __post_init__(self) -> None:
        object.__setattr__(self, "sharpness", tuple(float(k) for k in self.sharpness))
        object.__setattr__(self, "until", tuple(float(share) for share in self.until))
        if len(self.sharpness) < 1 or len(self.until) != len(self.sharpness) - 1 or min(self.sharpness) <= 0:
            raise JobError(
                f"soft_window: {len(self.sharpness)} values of sharpness and {len(self.until)} of until; expected "
                "sharpness above 0 and one share fewer in until (the last stage runs to the end)."
            )
        if any(a >= b for a, b in zip((0.0, *self.until), (*self.until, 1.0), strict=True)):
            raise JobError(
                f"soft_window: until is {self.until}; expected shares of the budget that rise between 0 and 1."
            )

    def stage(self, share: float) -> "SoftWindow":
        """The loss of one sharpness to use when `share` (0..1) of the iterations are done."""
        number = sum(share >= end for end in self.until)
        return SoftWindow((self.sharpness[number],), ())

    def scale(self, dose: Tensor, target: Target) -> Tensor:
        """The factor that puts the gel dose midway between the least dose in the part and the most elsewhere."""
        least = torch.where(target.solid, dose, math.inf).amin()
        most = torch.where(target.liquid, dose, -math.inf).amax()
        centre = (least + most.clamp(min=0)) / 2
        return torch.where(torch.isfinite(centre) & (centre > 0), 1 / centre, 1.0)

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        check(dose, target)
        k = self.sharpness[-1]
        excess = torch.where(target.solid, 1 - dose, torch.where(target.liquid, dose - 1, -math.inf)) * k
        if target.weight is not None:
            excess = excess + target.weight.to(dose.dtype).log()
        return excess.flatten().logsumexp(0) / k
