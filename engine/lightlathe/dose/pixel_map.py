"""Sparse maps of images in two passes, each with weights of its own for every column and row."""

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.dose.taps import Taps


@dataclass(frozen=True)
class PixelMap:
    """Images (..., column, row) -> (..., fine column, plane), and back by the exact transpose: first along the rows of
    each column, then across the columns of each plane.

    light    (column, row), what each pixel gives; None where that is all
    rows     column and plane <- column and row, both flattened; None where planes are rows
    columns  fine column and plane <- column and plane; None where fine columns are columns
    """

    light: Tensor | None
    rows: Taps | None
    columns: Taps | None
    given: tuple[int, int]  # columns, rows
    made: tuple[int, int]  # fine columns, planes
    rows_back: Taps | None = None
    columns_back: Taps | None = None

    def to(self, device: torch.device, dtype: torch.dtype) -> "PixelMap":
        rows, columns = self.rows, self.columns
        return replace(
            self,
            light=None if self.light is None else self.light.to(device, dtype),
            rows=None if rows is None else rows.to(device, dtype),
            columns=None if columns is None else columns.to(device, dtype),
            rows_back=None if rows is None else rows.transposed().to(device, dtype),
            columns_back=None if columns is None else columns.transposed().to(device, dtype),
        )

    @property
    def most(self) -> float:
        """No fine column is brighter than the brightest pixel times this."""
        light = 1.0 if self.light is None else float(self.light.amax())
        for taps in (self.rows, self.columns):
            light *= 1.0 if taps is None else float(taps.weight.sum(0).amax())
        return light

    def forward(self, x: Tensor) -> Tensor:
        x = (x if self.light is None else x * self.light).flatten(-2)
        x = x if self.rows is None else self.rows.apply(x)
        x = x if self.columns is None else self.columns.apply(x)
        return x.unflatten(-1, self.made)

    def transpose(self, x: Tensor) -> Tensor:
        x = x.flatten(-2)
        x = x if self.columns_back is None else self.columns_back.apply(x)
        x = x if self.rows_back is None else self.rows_back.apply(x)
        x = x.unflatten(-1, self.given)
        return x if self.light is None else x * self.light

    def narrowed(self) -> "tuple[PixelMap, tuple[int, int, int] | None]":
        """The same of the rows alone that reach its planes; (first, end, count) of those where some do not."""
        columns, count = self.given
        if self.rows is None:
            return self, None
        row = self.rows.index % count
        used = row[self.rows.weight != 0]
        first, end = (int(used.min()), int(used.max()) + 1) if len(used) else (0, 1)
        if end - first == count:
            return self, None
        index = self.rows.index // count * (end - first) + (row - first).clamp(0, end - first - 1)
        light = None if self.light is None else self.light[:, first:end].contiguous()
        rows = Taps(index, self.rows.weight, columns * (end - first))
        return replace(self, light=light, rows=rows, given=(columns, end - first)), (first, end, count)
