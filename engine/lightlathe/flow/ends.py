"""What the ends of a part get in the prediction, for prints whose top or bottom is missing."""

import math
from dataclasses import dataclass

from torch import Tensor

from lightlathe.quantities import SOLID, Volume, any_in_slices
from lightlathe.result import Record

END_SHARE = 0.1  # of the part's height, looked at where its top or bottom is missing


@dataclass(frozen=True)
class End:
    """One end of the part: its outermost END_SHARE.

    height_mm       of what is looked at
    z_mm            where the part ends
    weakest_mj_cm3  smallest dose of its voxels at the planned exposure
    """

    height_mm: float
    z_mm: float
    weakest_mj_cm3: float


def end_of(record: Record, kind: str) -> End:
    """The end that is named: 'top missing' or 'bottom missing'."""
    top = kind == "top missing"
    judged, grid = record.part.judged, record.part.grid
    slices = any_in_slices(judged, lambda codes: codes == SOLID).nonzero().flatten()
    count = max(1, round(END_SHARE * len(slices)))
    end = slices[-count:] if top else slices[:count]
    z = float(grid.centres_mm(2)[slices[-1 if top else 0]])
    half = grid.voxel_mm / 2 if top else -grid.voxel_mm / 2
    return End(count * grid.voxel_mm, z + half, _least(record.prediction.dose, judged, end))


def _least(dose: Volume, judged: Volume, slices: Tensor) -> float:
    inside = dose[..., slices][judged[..., slices] == SOLID]
    return float(inside.min()) if inside.numel() else math.nan
