"""Pictures that measure a projector and its alignment: (row, column) arrays of codes, top row first, as the vial has
to see them.

Everything is drawn in whole pixels, so that what is seen between them is the lens's work.
"""

import math
from dataclasses import dataclass

import numpy as np

F = ("11111", "10000", "10000", "11110", "10000", "10000", "10000")  # no mirror image or turn of it looks the same
PAIRS = (1, 2, 4, 8)  # width, in pixels, of the lines of the focus target
STEPS = 16  # of the grey ramp above black
METER = 5  # places each way at which the irradiance is measured
LEAST = 24  # columns and rows that the pictures take


@dataclass(frozen=True)
class Field:
    """A projector's field and where the turning axis lies in it.

    full          the code of white
    axis_column   may be a fraction; the middle is (columns - 1) / 2
    """

    columns: int
    rows: int
    full: int
    axis_column: float

    def centred(self, columns: int) -> int:
        """As many columns, or one more, as can lie about the axis evenly."""
        return columns + (columns + round(2 * self.axis_column) + 1) % 2

    @property
    def empty(self) -> np.ndarray:
        return np.zeros((self.rows, self.columns), np.uint16)


def axis_line(field: Field) -> np.ndarray:
    """The column on the axis, from top to bottom; two where it lies between them."""
    image = field.empty
    image[:, math.floor(field.axis_column + 1e-9) : math.ceil(field.axis_column - 1e-9) + 1] = field.full
    return image


def ruler(field: Field) -> np.ndarray:
    """Marks every 10 columns from the left edge, taller every 50 and 100, and level lines at a quarter from top and
    bottom."""
    image = field.empty
    for column in range(0, field.columns, 10):
        tall = field.rows if column % 100 == 0 else field.rows // 2 if column % 50 == 0 else field.rows // 5
        first = (field.rows - tall) // 2
        image[first : first + tall, column] = field.full
    image[[field.rows // 4, field.rows - 1 - field.rows // 4]] = field.full
    return image


def frame_lines(field: Field) -> tuple[np.ndarray, int, int]:
    """The field's edge, and two columns and two rows within; how many columns and rows those lie apart."""
    image = field.empty
    image[[0, -1]] = image[:, [0, -1]] = field.full
    left, low = field.columns // 8, field.rows // 8
    image[:, [left, field.columns - 1 - left]] = field.full
    image[[low, field.rows - 1 - low]] = field.full
    return image, field.columns - 1 - 2 * left, field.rows - 1 - 2 * low


def focus_target(field: Field) -> np.ndarray:
    """Line pairs, upright above and level below, of PAIRS pixels from left to right, in the middle and the corners."""
    side = max(6, min(field.columns, field.rows) // 12)
    block = np.zeros((2 * side, len(PAIRS) * side), np.uint16)
    number = np.arange(side)
    for k, width in enumerate(PAIRS):
        lines = field.full * (number // width % 2 == 0)
        block[:side, k * side : (k + 1) * side] = lines[None, :]
        block[side:, k * side : (k + 1) * side] = lines[:, None]
    block = block[: field.rows, : field.columns]
    image, (tall, wide) = field.empty, block.shape
    for row in sorted({0, (field.rows - tall) // 2, field.rows - tall}):
        for column in sorted({0, (field.columns - wide) // 2, field.columns - wide}):
            if (row == (field.rows - tall) // 2) == (column == (field.columns - wide) // 2):
                image[row : row + tall, column : column + wide] = block
    return image


def handedness(field: Field) -> np.ndarray:
    """A large F: upright, with its arms to the right, where the frames arrive as they should."""
    size = max(1, min(field.columns // 8, field.rows // 10))
    letter = np.kron(np.array([[int(mark) for mark in row] for row in F]), np.ones((size, size))) * field.full
    image, (tall, wide) = field.empty, letter.shape
    row, column = (field.rows - tall) // 2, (field.columns - wide) // 2
    image[row : row + tall, column : column + wide] = letter
    return image


def grey_ramp(field: Field) -> list[tuple[int, np.ndarray]]:
    """(code, an even picture of it), from black to white."""
    codes = np.unique(np.rint(np.linspace(0, field.full, min(STEPS, field.full) + 1)).astype(int))
    return [(int(code), np.full_like(field.empty, code)) for code in codes]


def meter_places(field: Field) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """White discs where the irradiance is measured, an even grid whose corners lie at the corner pixels; (row, column)
    of each, row by row from the top."""
    rows, columns = (np.rint(np.linspace(0, size - 1, METER)).astype(int) for size in (field.rows, field.columns))
    image, reach = field.empty, max(1, min(field.columns, field.rows) // 40)
    y, x = np.mgrid[: field.rows, : field.columns]
    places = [(int(row), int(column)) for row in rows for column in columns]
    for row, column in places:
        image[(y - row) ** 2 + (x - column) ** 2 <= reach**2] = field.full
    return image, places


def strips(field: Field, inner: float, outer: float, tall: int) -> np.ndarray:
    """Columns whose centres lie `inner` to `outer` columns from the axis, `tall` rows about the middle: over a turn a
    disc where `inner` is 0, else a ring."""
    away = np.abs(np.arange(field.columns) - field.axis_column)
    row = np.abs(np.arange(field.rows) - (field.rows - 1) / 2)
    lit = (away >= inner) & (away <= outer)
    return field.full * (lit[None, :] & (row < tall / 2)[:, None]).astype(np.uint16)
