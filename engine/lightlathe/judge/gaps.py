"""Whether a part has holes, channels or gaps that can close."""

import torch
from torch import Tensor

from lightlathe.quantities import LIQUID, SOLID, Volume, slices_of

TOGETHER = 16  # slices looked at along x and y at a time: masks of a large volume need not be held whole


def has_gaps(judged: Volume) -> bool:
    """Whether resin that must stay liquid lies between two places of the part, along x, y or z.

    judged   (x, y, z) codes of a Part. A convex part has none: a line meets it once. A hole, a channel, a slot, a
             cavity and the space between two parts are gaps; the inner corner of an L along the axes is none.
    """
    nx, ny, _ = judged.shape
    met = torch.zeros(nx, ny, dtype=torch.bool)  # the part below, and resin above it
    open_ = met.clone()
    for _, (codes,) in slices_of(judged):
        for first in range(0, codes.shape[2], TOGETHER):
            piece = codes[:, :, first : first + TOGETHER].cpu()
            solid, liquid = piece == SOLID, piece == LIQUID
            if any(_between(solid, liquid, axis) for axis in (0, 1)):
                return True
            for k in range(piece.shape[2]):
                if bool((open_ & solid[:, :, k]).any()):
                    return True
                open_ |= met & liquid[:, :, k]
                met |= solid[:, :, k]
    return False


def _between(solid: Tensor, liquid: Tensor, axis: int) -> bool:
    ones = solid.to(torch.uint8)
    before, after = ones.cummax(axis).values, ones.flip(axis).cummax(axis).values.flip(axis)
    return bool((before.bool() & after.bool() & liquid).any())
