"""Pictures drawn by matplotlib: where one may be written, and the mark by which it is recognised as ours."""

import os
from pathlib import Path
from typing import Any

from lightlathe.errors import ResultError
from lightlathe.support.files import DRAWN_BY, PICTURE, require_replaceable

ENDINGS = (".png", ".svg", ".pdf")


def require_matplotlib() -> None:
    """ResultError where matplotlib is missing."""
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        raise ResultError(
            "pictures need matplotlib, which is not installed. pip install 'matplotlib>=3.8' (the extra 'plot')"
        ) from None


def require_drawable(path: Path) -> None:
    """ResultError where matplotlib is missing, the ending is not one of ENDINGS, there is no such folder, or a file
    that is no picture of ours has that name."""
    if path.suffix.lower() not in ENDINGS or os.path.isdir(path):
        raise ResultError(f"{path}: expected the name of a picture file that ends in .png, .svg or .pdf.")
    if not os.path.isdir(path.parent):
        raise ResultError(
            f"{path}: there is no folder {path.parent}; expected a .png, .svg or .pdf in a folder there is."
        )
    require_replaceable(path, PICTURE)
    require_matplotlib()


def save(figure: Any, path: Path, dpi: int) -> Path:
    """Write a matplotlib figure with our mark; returns the path. Raises ResultError where it cannot be written."""
    mark = "Software" if path.suffix.lower() == ".png" else "Creator"
    try:
        figure.savefig(path, dpi=dpi, metadata={mark: DRAWN_BY})
    except OSError as problem:
        raise ResultError(
            f"{path}: cannot write the .png, .svg or .pdf ({problem}). Is the folder writable, the disk full?"
        ) from None
    return path
