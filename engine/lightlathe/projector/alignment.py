"""Where the turning axis lies in a projector's field, from a needle seen at opposite stage angles."""

import math
from dataclasses import dataclass
from pathlib import Path

from lightlathe.errors import MeasurementError, shown
from lightlathe.support.csv_rows import lines_of, read_csv

HEADS = ("row", "column_at_0_deg", "column_at_180_deg")
LONGEST = 1_000_000  # bytes of a file
FORM = f"Expected the heads {', '.join(HEADS)} and a line of numbers for each height."


@dataclass(frozen=True)
class Alignment:
    """Where the axis lies, in pixels as the projector sees the picture along its light.

    middle_column    of the axis at the middle row
    columns_per_row  by how much it shifts from row to row downwards; NaN where one height alone was looked at
    scatter          largest distance of a height's axis from the straight line through all, columns
    """

    middle_column: float
    columns_per_row: float
    scatter: float

    @property
    def tilt_deg(self) -> float:
        """Of the axis against the columns, positive where it leans to the right towards the top."""
        return -math.degrees(math.atan(self.columns_per_row))


def read_alignment(path: Path) -> list[tuple[float, float, float]]:
    """(row, column at 0 degrees, column at 180 degrees) of each line; rows from the top, columns from the left, from 0.

    Raises MeasurementError with the line for what is no such table.
    """
    lines = lines_of(read_csv(path, LONGEST, MeasurementError))
    if not lines or [cell.strip() for cell in lines[0][1].split(",")] != list(HEADS):
        raise MeasurementError(f"{path}: the head is {shown(lines[0][1] if lines else '')}. {FORM}")
    found = []
    for number, line in lines[1:]:
        try:
            row, first, last = (float(cell) for cell in line.split(","))
        except ValueError:
            raise MeasurementError(f"{path} line {number}: {shown(line)} is not three numbers. {FORM}") from None
        if not all(map(math.isfinite, (row, first, last))):
            raise MeasurementError(f"{path} line {number}: {shown(line)} holds no finite number. {FORM}")
        found.append((row, first, last))
    if not found:
        raise MeasurementError(f"{path}: has no line of numbers. {FORM}")
    return found


def alignment(found: list[tuple[float, float, float]], columns: int, rows: int) -> Alignment:
    """A straight line, by least squares, through the axis at each height: half way between the two places of a needle
    that turned by 180 degrees.

    Raises MeasurementError for places outside the field.
    """
    for row, *places in found:
        if not (0 <= row <= rows - 1 and all(0 <= place <= columns - 1 for place in places)):
            raise MeasurementError(
                f"row {row:g}, columns {places[0]:g} and {places[1]:g}: expected rows 0 to {rows - 1} and columns 0 to "
                f"{columns - 1} of this projector."
            )
    middle_row = (rows - 1) / 2
    away = [(row - middle_row, (first + last) / 2) for row, first, last in found]
    mean_row, mean = (sum(values) / len(away) for values in zip(*away, strict=True))
    spread = sum((row - mean_row) ** 2 for row, _ in away)
    slope = sum((row - mean_row) * column for row, column in away) / spread if spread > 0 else math.nan
    per_row = 0.0 if math.isnan(slope) else slope
    middle = mean - per_row * mean_row
    scatter = max(abs(column - middle - per_row * row) for row, column in away)
    return Alignment(middle, slope, scatter)
