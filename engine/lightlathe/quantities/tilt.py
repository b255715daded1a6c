"""A turning axis that leans in the projector's picture."""

import math
from dataclasses import dataclass, replace

from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import ShapeError

MOST_DEG = 10.0  # further a projector stands crooked, and is better put straight


@dataclass(frozen=True, eq=False)
class Tilt:
    """The turning axis as a line in the picture, which is perpendicular to the light.

    angle_rad     of the axis against the columns, positive where it leans towards higher columns with height
    axis_column   where it crosses the height z = 0, in columns from the first one's centre
    pixel_mm      pitch of the columns in the picture, where the vial stands without it
    slice_z_mm    (slice,) float64, heights of slices that have a row of pixels of their own, on which light is level;
                  None: rows of pixels lie as the Chords say

    A pixel u columns beside that place and v rows above it, in one unit of length, lies at
    s = u cos(angle) - v sin(angle), z = u sin(angle) + v cos(angle) of the axis: the picture is turned about the light.
    """

    angle_rad: float
    axis_column: float
    pixel_mm: float
    slice_z_mm: Tensor | None = None

    def __post_init__(self) -> None:
        if not (abs(self.angle_rad) <= math.radians(MOST_DEG) * (1 + 1e-12) and math.isfinite(self.axis_column)):
            raise ShapeError(
                f"the axis is tilted by {self.angle_rad} rad at column {self.axis_column}; expected {MOST_DEG:g} "
                "degrees or less at a finite place. Is it in degrees?"
            )
        if not (math.isfinite(self.pixel_mm) and self.pixel_mm > 0):
            raise ShapeError(f"pixel_mm is {self.pixel_mm}; expected a length above 0 mm.")
        if self.slice_z_mm is not None:
            has_axes("slice_z_mm", self.slice_z_mm, ("slice",), self.slice_z_mm.shape[:1])

    def lit(self, first_column: int) -> "Tilt":
        """The same, with columns counted from another first one."""
        return replace(self, axis_column=self.axis_column - first_column)

    def height_mm(self, column: Tensor, z_mm: Tensor) -> Tensor:
        """How high in the picture, above its middle, columns are crossed by the line of constant z."""
        beside_mm = (column - self.axis_column) * self.pixel_mm
        return z_mm / math.cos(self.angle_rad) - beside_mm * math.tan(self.angle_rad)
