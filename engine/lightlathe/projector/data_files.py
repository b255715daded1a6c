"""Files of numbers that a job names: read whole, of limited size, with the line of each row for messages."""

import hashlib
import math
from pathlib import Path
from typing import NamedTuple

from lightlathe.errors import JobError, shown
from lightlathe.support.csv_rows import cells_of, decoded, lines_of

MAX_BYTES = 100_000_000  # the CSV of a field of 4096 x 2160 pixels with ten characters each


class DataFile(NamedTuple):
    """The bytes of a file and their SHA-256."""

    path: Path
    content: bytes
    sha256: str


def read_file(path: Path) -> DataFile:
    """Raises JobError where there is no ordinary file, or one of more than MAX_BYTES."""
    if not path.is_file():
        raise JobError(f"there is no file {shown(str(path))}; paths are relative to the job file.")
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except OSError as problem:
        raise JobError(f"{shown(str(path))}: cannot be read ({problem.strerror}).") from None
    if len(content) > MAX_BYTES:
        raise JobError(f"{shown(path.name)}: has more than {MAX_BYTES / 1e6:g} MB; expected a smaller file.")
    return DataFile(path, content, hashlib.sha256(content).hexdigest())


def rows_of(file: DataFile) -> list[tuple[int, list[str]]]:
    """(line, cells) of each row of a CSV file; empty lines and those that begin with '#' are left out.

    Cells are parted by commas, semicolons or tabs, whichever the first row uses. Raises JobError.
    """
    name = shown(file.path.name)
    lines = lines_of(decoded(file.content, name, JobError))
    if not lines:
        raise JobError(f"{name}: is empty; expected rows of numbers.")
    parted = next((mark for mark in (";", "\t") if mark in lines[0][1]), ",")
    return [(number, cells_of(name, number, line, parted, JobError)) for number, line in lines]


def number_in(file: DataFile, line: int, what: str, cell: str) -> float:
    """A finite number of 0 or more in a cell. Raises JobError with file and line."""
    try:
        value = float("no number" if "_" in cell else cell)  # Python would take 1_0 for 10
    except ValueError:
        hint = " Write decimals with a point." if "," in cell else ""
        value, hint = math.nan, hint
    else:
        hint = " Subtract what the meter shows in the dark, and write 0 for what is left." if value < 0 else ""
    if not (math.isfinite(value) and value >= 0):
        raise JobError(
            f"{shown(file.path.name)} line {line}: {what} is {shown(cell)}; expected a number of 0 or more.{hint}"
        )
    return value
