"""Patterns that are made when their rows are asked for, so that no more of them lies in memory than is worked on."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import ShapeError

PIECE = 1 << 27  # numbers that are made together by those who go through all of them


@dataclass(frozen=True)
class ByRow:
    """Patterns (angle, column, row).

    made     (row,) int64 on the CPU -> (angle, column, row) those rows, on `device`
    device   on which rows are made
    """

    shape: tuple[int, int, int]
    dtype: torch.dtype
    device: torch.device
    made: Callable[[Tensor], Tensor]

    def __getitem__(self, index: Any) -> Tensor:
        """By [:, :, rows], rows a slice or a list (row,) of them."""
        *others, rows = index
        if any(part is not Ellipsis and part != slice(None) for part in others):
            raise ShapeError("patterns are made row by row; expected [:, :, rows].")
        return self.made(torch.arange(self.shape[2])[rows.cpu() if isinstance(rows, Tensor) else rows])

    def numel(self) -> int:
        return self.shape[0] * self.shape[1] * self.shape[2]

    def to(self, where: Any) -> Tensor:
        """All of them, as a tensor on a device or of a type."""
        return torch.cat([piece.to(where) for _, piece in rows_of(self)], 2)

    def map(self, function: Callable[[Tensor], Tensor]) -> "ByRow":
        """function(rows) of these."""
        return ByRow(self.shape, self.dtype, self.device, lambda rows: function(self.made(rows)))


def span(rows: Tensor) -> slice | Tensor:
    """Row numbers (row,), as a slice where they follow each other: that copies nothing."""
    if len(rows) and int(rows[-1]) - int(rows[0]) + 1 == len(rows) and bool((rows.diff() == 1).all()):
        return slice(int(rows[0]), int(rows[-1]) + 1)
    return rows


def rows_first(patterns: Tensor) -> Tensor:
    """(row, angle, column) of patterns (angle, column, row): each row lies together, goes to a device in one copy."""
    return patterns.permute(2, 0, 1)


def rows_last(patterns: Tensor) -> Tensor:
    """The way back."""
    return patterns.permute(1, 2, 0).contiguous()


Light = Tensor | ByRow
"""Patterns (angle, column, row)."""


def rows_of(patterns: Light) -> Iterator[tuple[slice, Tensor]]:
    """(which rows, those rows) of all patterns; those that lie in memory come as a whole."""
    angles, columns, rows = patterns.shape
    count = rows if isinstance(patterns, Tensor) else max(1, PIECE // max(1, angles * columns))
    for start in range(0, rows, max(1, count)):
        taken = slice(start, min(start + count, rows))
        yield taken, patterns[:, :, taken]
