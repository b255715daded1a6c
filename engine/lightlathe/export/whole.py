"""A file that gets its name only when it is complete."""

import contextlib
import os
from collections.abc import Iterable
from pathlib import Path

from lightlathe.errors import ResultError
from lightlathe.support.files import require_replaceable


def write_whole(path: str | Path, kind: str, pieces: Iterable[bytes | memoryview]) -> Path:
    """Write a file piece by piece; returns its path.

    kind     of support/files.py; ResultError where a file of another kind has that name, or none can be written
    """
    path = Path(path)
    require_replaceable(path, kind)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        with unfinished.open("wb") as file:
            for piece in pieces:
                file.write(piece)
        os.replace(unfinished, path)
    except OSError as problem:
        raise ResultError(
            f"{path}: cannot write the file ({problem.strerror or problem}). Is there such a folder, is it writable, "
            "the disk full?"
        ) from None
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
    return path
