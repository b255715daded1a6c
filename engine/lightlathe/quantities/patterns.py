"""Images: the projector's field, what of it is ever lit, and the patterns that it shows."""

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import ShapeError
from lightlathe.quantities.by_row import ByRow, span


@dataclass(frozen=True)
class Field:
    """A projector's field and the part of it that is ever lit: all other pixels stay dark and are not stored.

    columns, rows   of the projector
    first_column    of the lit ones, counted from 0
    lit_columns, lit_rows   how many are lit; as many rows stay dark below as above, so that z = 0 stays in the middle
    """

    columns: int
    rows: int
    first_column: int
    lit_columns: int
    lit_rows: int

    def __post_init__(self) -> None:
        fits = self.first_column >= 0 and self.first_column + self.lit_columns <= self.columns
        if not (fits and self.lit_columns >= 1 and 1 <= self.lit_rows <= self.rows):
            raise ShapeError(
                f"{self.lit_columns} columns from {self.first_column} on and {self.lit_rows} rows are lit in a field "
                f"of {self.columns} x {self.rows}; expected one or more of each, inside the field."
            )
        if (self.rows - self.lit_rows) % 2:
            raise ShapeError(
                f"{self.lit_rows} of {self.rows} rows are lit; expected as many dark ones above as below, so an even "
                "number of dark rows."
            )

    @staticmethod
    def whole(columns: int, rows: int) -> "Field":
        """All of it is lit."""
        return Field(columns, rows, 0, columns, rows)

    @property
    def first_row(self) -> int:
        return (self.rows - self.lit_rows) // 2

    @property
    def is_whole(self) -> bool:
        return (self.lit_columns, self.lit_rows) == (self.columns, self.rows)

    @property
    def lit_pixels(self) -> int:
        return self.lit_columns * self.lit_rows

    @property
    def middle(self) -> tuple[float, float]:
        """(column, row), counted in pixels from the first lit ones, at which the middle of the field lies."""
        return (self.columns - 1) / 2 - self.first_column, (self.lit_rows - 1) / 2

    @property
    def lit(self) -> tuple[slice, slice]:
        """The lit columns and rows of an image (column, row) of the whole field."""
        last_column, last_row = self.first_column + self.lit_columns, self.first_row + self.lit_rows
        return slice(self.first_column, last_column), slice(self.first_row, last_row)

    def padded(self, image: np.ndarray, dark: int = 0) -> np.ndarray:
        """(lit column, lit row) -> (column, row) of the whole field, `dark` around it."""
        if image.shape != (self.lit_columns, self.lit_rows):
            raise ShapeError(f"image has shape {image.shape}; expected {(self.lit_columns, self.lit_rows)}.")
        whole = np.full((self.columns, self.rows), dark, image.dtype)
        whole[self.lit] = image
        return whole


@dataclass(frozen=True)
class Patterns:
    """The images that the projector will show.

    levels       (angle, column, row) integer, 0..full_scale, before the projector's response is undone
    lit          the columns and rows that these are, all others dark; None: the whole field
    angle_rad    (angle,) float64
    full_scale   the level that means full irradiance
    dwell_s      how long one image stands in one turn; exposure = turns * angles * dwell
    """

    levels: Tensor
    angle_rad: Tensor
    full_scale: int
    pixel_mm: float
    irradiance_mw_cm2: float
    dwell_s: float
    turns: int
    lit: Field | None = None

    def __post_init__(self) -> None:
        if self.lit is not None:
            shape = (len(self.angle_rad), self.lit.lit_columns, self.lit.lit_rows)
            has_axes("levels", self.levels, ("angle", "column", "row"), shape)

    @property
    def field(self) -> Field:
        """The projector's field."""
        return self.lit or Field.whole(*self.levels.shape[1:])

    @property
    def exposure_s(self) -> float:
        return self.turns * len(self.angle_rad) * self.dwell_s

    def fractions(self, dtype: torch.dtype = torch.float32, device: torch.device | str = "cpu") -> Tensor:
        """(angle, column, row) in 0..1 of full irradiance, of the lit columns and rows."""
        return self._shares(self.levels, dtype, torch.device(device))

    def fractions_by_row(self, dtype: torch.dtype, device: torch.device) -> ByRow:
        """The same, made when rows are asked for."""
        shape = tuple(self.levels.shape)
        return ByRow(shape, dtype, device, lambda rows: self._shares(self.levels[:, :, span(rows)], dtype, device))  # pyright: ignore[reportArgumentType]

    def _shares(self, levels: Tensor, dtype: torch.dtype, device: torch.device) -> Tensor:
        return levels.to(device).to(dtype) / self.full_scale  # levels travel as they are, a byte or two each
