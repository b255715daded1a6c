"""The mean over the worst few percent of the voxels: between a mean over all and the very worst one."""

from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.losses.voxels import check, weights
from lightlathe.quantities import Target
from lightlathe.support.sums import exact_total, total


@dataclass(frozen=True)
class WorstShare:
    """Mean of the excess e = 1 - D in the part, D - 1 elsewhere, over the worst `share` of the judged weight.

    D in units of the gel dose, the value too. With all weights 1 and share * voxels a whole number n it is the plain
    mean of the n largest e; in between, the last voxel counts in part. share = 1 is the mean, a tiny share the maximum.

    Use it for a window that a few lost voxels do not spoil: what is best for the worst 1 % leaves out the odd voxel
    that no light can save. Every call sorts the voxels.
    Source: conditional value at risk, Rockafellar & Uryasev, Journal of Risk 2 (2000) 21.
    """

    share: float = 0.01

    def __post_init__(self) -> None:
        if not 0 < self.share <= 1:
            raise JobError(f"worst_share: share is {self.share}; expected a share above 0 and at most 1.")

    def __call__(self, dose: Tensor, target: Target) -> Tensor:
        check(dose, target)
        weight = weights(target, dose).flatten()
        excess = torch.where(target.solid, 1 - dose, dose - 1).flatten()
        order = excess.detach().masked_fill(weight == 0, -torch.inf).argsort(descending=True)
        ranked = weight[order]
        counted = self.share * exact_total(weight)
        before = ranked.to(torch.float64).cumsum(0) - ranked
        taken = torch.minimum((counted - before).clamp(min=0), ranked.to(torch.float64)).to(dose.dtype)
        return total(excess[order] * taken) / counted.to(dose.dtype)
