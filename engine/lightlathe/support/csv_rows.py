"""CSV tables that users write: the text of a file, the lines that count, their cells. Each caller names its error."""

import csv
from pathlib import Path

from lightlathe.errors import LightlatheError, shown

Error = type[LightlatheError]


def read_csv(path: Path, longest: int, error: Error) -> str:
    """The text of a file of up to `longest` bytes. Raises `error` for a larger one, and where it cannot be read."""
    try:
        size = path.stat().st_size
        if size > longest:
            raise error(f"{path}: has {size} bytes; expected a table of up to {longest}.")
        return decoded(path.read_bytes(), str(path), error)
    except OSError as problem:
        raise error(f"{shown(str(path))}: cannot be read ({problem.strerror}). Is the path right?") from None


def decoded(content: bytes, name: str, error: Error) -> str:
    """UTF-8 as text, without a byte-order mark."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise error(f"{name}: byte {problem.start} is not UTF-8; save the table as UTF-8 CSV.") from None


def lines_of(text: str) -> list[tuple[int, str]]:
    """(number, line), without empty lines and those that begin with '#'."""
    return [
        (n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.lstrip().startswith("#")
    ]


def cells_of(name: str, number: int, line: str, parted: str, error: Error) -> list[str]:
    """The cells of a line, without spaces around them."""
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=parted))]
    except csv.Error as problem:
        raise error(f"{name} line {number}: {problem}; expected cells parted by {parted!r}.") from None
