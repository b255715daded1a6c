"""How a projector's columns become chords of the vial."""

from typing import Protocol

from torch import Tensor

from lightlathe.families.resin import Resin
from lightlathe.quantities import Chords


class VialSize(Protocol):
    """What a beam may ask of the vial, mm; indices given that of the resin, which those that match it have."""

    @property
    def radius_mm(self) -> float: ...

    @property
    def resin_height_mm(self) -> float: ...

    @property
    def wall_mm(self) -> float | None: ...

    def index_outside(self, resin_index: float) -> float: ...

    def index_of_wall(self, resin_index: float) -> float: ...


class Beam(Protocol):
    def chords(
        self,
        *,
        angle_rad: Tensor,
        columns: int,
        rows: int,
        pixel_mm: float,
        axis_offset_mm: float,
        vial: VialSize,
        resin: Resin,
    ) -> Chords:
        """The chords of a projector with square pixels of `pixel_mm`; sets `row_mm`, the row pitch in the vial.

        angle_rad        (angle,) float64, the scan angle of each image
        axis_offset_mm   how far across the light the middle column misses the turning axis, outside the vial
        """
        ...
