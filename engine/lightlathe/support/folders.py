"""Folders that a command fills: new or empty, so that nothing is mixed with files of before."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from lightlathe.errors import ResultError


@contextlib.contextmanager
def new_folder(folder: Path, what: str) -> Iterator[Path]:
    """Makes `folder` and, for the block, turns what its file system refuses into ResultError.

    what   "frames", "figures": what is being written
    Raises ResultError unless the folder is new or empty and can be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if found := next(folder.iterdir(), None):
            raise ResultError(f"{folder}: holds {found.name} already; expected an empty or new folder. Name another.")
        yield folder
    except (OSError, ValueError) as problem:  # ValueError: a path that no system takes
        raise ResultError(
            f"{folder}: cannot write {what} there ({problem}); expected an empty or new folder with room on the disk."
        ) from None
