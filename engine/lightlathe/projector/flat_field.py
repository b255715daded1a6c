"""Uneven illumination: the relative irradiance over a projector's field, and pixels that carry no light at all."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import torch
from torch import Tensor

from lightlathe.errors import JobError, shown

MAX_PIXELS = 100_000_000  # each takes 8 bytes, several times; no projector has a tenth of that


@dataclass(frozen=True, eq=False)
class FlatField:
    """What a meter or a camera sees of a white picture, relative to its brightest place.

    name       of the file, as the job gives it
    relative   (row, column) 0..1, top row first and left column first as the projector sees the picture along its
               light: a value for each pixel, or an even grid of fewer over the field, whose corners lie at the centres
               of the corner pixels
    """

    name: str
    relative: np.ndarray = field(repr=False)

    @staticmethod
    def measured(name: str, values: np.ndarray) -> "FlatField":
        """Of measured values in any unit. Raises JobError for what is no irradiance."""
        values = np.asarray(values)
        if values.ndim != 2 or values.size == 0 or values.dtype.kind not in "biuf":
            raise JobError(
                f"{shown(name)} holds {values.dtype} of shape {values.shape}; expected numbers (row, column), top row "
                "first."
            )
        values = values.astype(np.float64)
        if not (np.isfinite(values).all() and values.min() >= 0 and values.max() > 0):
            raise JobError(
                f"{shown(name)} has values from {values.min():g} to {values.max():g}; expected finite numbers of 0 or "
                "more, above 0 somewhere."
            )
        return FlatField(name, values / values.max())

    @staticmethod
    def of_record(name: str, relative: Tensor) -> "FlatField":
        """That of a result, (column, row) with the lowest row first as in `Optics`."""
        return FlatField(name, relative.T.flip(0).contiguous().numpy())

    def require_fits(self, columns: int, rows: int) -> None:
        """JobError unless it has a value for each pixel, or is a coarser grid."""
        tall, wide = self.relative.shape
        if all(n == size or 2 <= n <= size for n, size in ((tall, rows), (wide, columns))):
            return
        hint = " Are its rows and columns swapped?" if (wide, tall) == (rows, columns) else ""
        raise JobError(
            f"illumination {shown(self.name)} has {wide} columns and {tall} rows; expected {columns} columns and "
            f"{rows} rows, a value for each pixel, or an even grid of fewer, 2 or more each way.{hint}"
        )

    def over(self, columns: int, rows: int) -> np.ndarray:
        """(row, column) float64 for every pixel, bilinear between the values of a coarser grid."""
        found = self.relative
        for axis, size in ((0, rows), (1, columns)):
            count = found.shape[axis]
            if count != size:
                place = np.linspace(0, count - 1, size)
                low = np.minimum(place.astype(np.int64), count - 2)
                share = np.expand_dims(place - low, 1 - axis)
                found = found.take(low, axis) * (1 - share) + found.take(low + 1, axis) * share
        return found

    def as_job(self) -> str:
        """What a job's settings say of it; a result holds the values among its optics."""
        return self.name


def relative_irradiance(
    flat: FlatField | None, dead_columns: Sequence[int], dead_rows: Sequence[int], columns: int, rows: int
) -> Tensor | None:
    """(column, row) float64, lowest row first as in patterns: the light of each pixel relative to a full one.

    dead_columns, dead_rows   counted from 0 at the left and at the top, as the projector sees the picture
    None where neither is given. Raises JobError where nothing is left.
    """
    if flat is None and not dead_columns and not dead_rows:
        return None
    if columns * rows > MAX_PIXELS:
        raise JobError(
            f"[light] has {columns} columns and {rows} rows; expected {MAX_PIXELS:.0e} pixels at most with "
            "illumination or dead pixels. Are these the projector's?"
        )
    seen = np.ones((rows, columns)) if flat is None else flat.over(columns, rows).copy()
    seen[:, list(dead_columns)] = 0
    seen[list(dead_rows)] = 0
    if not seen.any():
        raise JobError("all pixels are dead or dark; expected some light (illumination, dead_columns, dead_rows).")
    return torch.from_numpy(np.ascontiguousarray(seen[::-1].T))
