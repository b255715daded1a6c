"""Asks for a gap: the part above one dose, everything else below a lower one."""

from dataclasses import dataclass
from typing import ClassVar

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check, mean_over_judged
from lightlathe.quantities import Target
from lightlathe.support.sums import power


@dataclass(frozen=True)
class GapHinge:
    """Mean over the judged voxels of relu(part_at_least - D)^p in the part and relu(D - outside_at_most)^p elsewhere.

    part_at_least, outside_at_most   doses in units of the gel dose, on either side of it
    exponent                         p; 1 counts shortfalls, 2 is smooth, 8 sees little but the worst voxels

    Use it to reach a design without wrong voxels in the fewest steps. Its value is 0, and the design stops improving,
    as soon as every voxel keeps the gap: a wider process window needs a wider gap or SoftWindow.
    Source: the squared hinge of Rosasco et al., Neural Computation 16 (2004) 1063 (table of losses), from memory.
    """

    fused: ClassVar[str] = "gap_hinge"
    part_at_least: float = 1.05
    outside_at_most: float = 0.95
    exponent: float = 2.0

    def __post_init__(self) -> None:
        if not 0 <= self.outside_at_most <= self.part_at_least:
            raise JobError(
                f"gap_hinge: outside_at_most is {self.outside_at_most} and part_at_least {self.part_at_least}; "
                "expected 0 <= outside_at_most <= part_at_least, in units of the gel dose."
            )
        if self.exponent < 1:
            raise JobError(f"gap_hinge: exponent is {self.exponent}; expected 1 or more (below 1 it is not convex).")

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        check(dose, target)
        short = torch.relu(self.part_at_least - dose) * target.solid
        over = torch.relu(dose - self.outside_at_most) * target.liquid
        amiss = short + over  # a voxel is in one class only
        return mean_over_judged(amiss.square() if self.exponent == 2 else power(amiss, self.exponent), target)
