"""Flat ends that lie midway between two rows of pixels: rows there print half a row short."""

import math

import torch
from torch import Tensor

from lightlathe.judge.check_fit import MIDWAY
from lightlathe.quantities import LIQUID, SOLID, FineShape

MOST = 0.5  # of the wrong voxels lie at the ends, where the ends are to blame (no source)
DENSER = 1.5  # times as many as in other slices, at least (no source)


def ends_between_rows(solid: Tensor, fine: FineShape, ends_mm: tuple[float, float], pixel_mm: float, rows: int) -> bool:
    """Whether both ends lie midway between two rows, and most that is wrong on the finer grid lies within half a row.

    solid     (x, y, z) bool: what is printed on the finer grid
    ends_mm   z of its level ends; rows lie at z = (k - (rows - 1) / 2) * pixel_mm
    """
    for end in ends_mm:
        row = end / pixel_mm + (rows - 1) / 2
        if abs(row - math.floor(row) - 0.5) > MIDWAY:
            return False
    judged = fine.judged.to(solid.device)
    wrong = ((judged == SOLID) & ~solid | (judged == LIQUID) & solid).sum((0, 1))
    used = (judged == SOLID).any(0).any(0).nonzero().flatten()
    if not len(used):
        return False
    slices = max(1, round(pixel_mm / 2 / fine.grid.voxel_mm))
    ends = torch.cat([used[:slices], used[-slices:]]).unique()
    least = max(MOST, DENSER * len(ends) / len(used))
    return bool(wrong[ends].sum() > least * wrong.sum())
