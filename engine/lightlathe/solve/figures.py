"""The few figures that are logged at every step, computed where the dose lies, without waiting for the device."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.one_pass import serve
from lightlathe.quantities import Target

NAMES = ("iou", "under_cure_fraction", "over_cure_fraction", "window_relative")


@dataclass(frozen=True)
class Figures:
    """0-d tensors; counts are of judged voxels against the gel dose (1), as in the print."""

    iou: Tensor
    under_cure_fraction: Tensor
    over_cure_fraction: Tensor
    window_relative: Tensor
    wrong: Tensor

    @staticmethod
    def of(dose: Tensor, target: Target) -> "Figures":
        solid, liquid = target.solid, target.liquid
        if serve(dose):
            from lightlathe.solve.figures_triton import tally

            correct, over, part, rest, least, most = tally(dose, solid, liquid)
        else:
            cured = dose >= 1
            correct = (cured & solid).sum()
            over = (cured & liquid).sum()
            part, rest = solid.sum(), liquid.sum()
            least = torch.where(solid, dose, math.inf).amin()
            most = torch.where(liquid, dose, -math.inf).amax()
        return Figures(
            iou=correct / (part + over),
            under_cure_fraction=(part - correct) / part,
            over_cure_fraction=over / rest,
            window_relative=torch.where(least > 0, 1 - most / least, math.nan),
            wrong=part - correct + over,
        )
