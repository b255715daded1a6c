"""Folders that a command fills: new or empty, so that nothing is mixed with files of before, or one that it filled
itself and replaces as a whole."""

import contextlib
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

from lightlathe.errors import ResultError

Foreign = Callable[[Path], str]
"""Of a folder: the name of something in it that this program did not write there; empty where all of it is its own."""


@contextlib.contextmanager
def new_folder(folder: Path, what: str, foreign: Foreign | None = None) -> Iterator[Path]:
    """Gives the folder to write into, for the block; turns what its file system refuses into ResultError.

    what      "frames", "figures": what is being written
    foreign   given where a folder of before may be replaced: then the block writes into a folder beside it, which takes
              its name, and the files of before go, when the block has ended well
    Raises ResultError unless the folder is new or empty, or may be replaced, and can be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        first = min((entry.name for entry in folder.iterdir()), default=None)
        if first is None:
            yield folder
            return
        if foreign is None:
            raise ResultError(
                f"{folder}: holds {first} already; expected an empty or new folder. Name another; --replace replaces "
                f"{what} written there before."
            )
        if name := foreign(folder):
            raise ResultError(
                f"{folder}: holds {name}, which is not of {what} that Lightlathe wrote there; nothing was replaced. "
                "Name another folder, or move that file away first."
            )
        yield from _in_place_of(folder)
    except (OSError, ValueError) as problem:  # ValueError: a path that no system takes
        raise ResultError(
            f"{folder}: cannot write {what} there ({problem}); expected an empty or new folder with room on the disk."
        ) from None


def _in_place_of(folder: Path) -> Iterator[Path]:
    whole = folder.resolve()
    made, before = (whole.with_name(f".{whole.name}.{os.getpid()}.{words}") for words in ("unfinished", "before"))
    made.mkdir()
    try:
        yield made
        whole.rename(before)
        made.rename(whole)
        shutil.rmtree(before)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def unlisted(folder: Path, listed: set[str]) -> str:
    """The first name in a folder that is not a plain file among those listed; empty where there is none."""
    plain = {entry.name for entry in folder.iterdir() if entry.is_file() and not entry.is_symlink()}
    return min({entry.name for entry in folder.iterdir()} - (plain & listed), default="")
