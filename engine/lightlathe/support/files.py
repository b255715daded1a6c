"""What exists under a path, and whether this program may write a file of its own there."""

import contextlib
import hashlib
import json
import os
from pathlib import Path

from lightlathe.errors import ResultError
from lightlathe.support.hdf5_guards import attribute, require_sound_heaps

RESULT, STATE, STUDY = "lightlathe-result", "lightlathe-state", "lightlathe-study"  # `format` of the HDF5 files
BENCH, PICTURE, PAGE, OUTCOMES = "lightlathe-bench", "lightlathe-picture", "lightlathe-page", "lightlathe-outcomes"
SURFACE, VOLUME = "lightlathe-surface", "lightlathe-volume"
WORDS = {
    RESULT: "a result",
    STATE: "the state of an unfinished design",
    STUDY: "a study",
    BENCH: "a bench file",
    OUTCOMES: "a list of prints kept of a result",
    PICTURE: "a picture that Lightlathe drew",
    PAGE: "a report that Lightlathe wrote",
    SURFACE: "a surface that Lightlathe wrote",
    VOLUME: "a volume that Lightlathe wrote",
}
DRAWN_BY = "Lightlathe"  # stands in every picture: PNG "Software", SVG and PDF "Creator", HTML "generator"
SOLID_MARK = "Lightlathe: predicted surface"  # within the first HEAD bytes of every surface file
VOLUME_MARK = "Lightlathe: predicted volume"  # likewise
HEAD = 4096  # bytes of a file that are looked at
BEGIN_WITH = {
    b"\x89PNG\r\n\x1a\n": "a PNG image",
    b"%PDF-": "a PDF document",
    b"PK\x03\x04": "a zip archive or a 3MF mesh",
    b"\xff\xd8\xff": "a JPEG image",
    b"\x7fELF": "a program",
}
ENDINGS = {
    ".toml": "a job or study file",
    **dict.fromkeys((".stl", ".obj", ".ply", ".3mf"), "a mesh"),
    ".csv": "a table of measurements",
    ".json": "a JSON file",
    ".svg": "an SVG image",
    ".html": "an HTML page",
    ".py": "a Python file",
}


def require_replaceable(path: str | Path, kind: str) -> None:
    """ResultError unless `path` names nothing yet, or an ordinary file of this very kind, which is then replaced.

    kind   RESULT, STATE, STUDY, BENCH, PICTURE, PAGE, OUTCOMES, SURFACE or VOLUME; told by
           what is in the file, not by its name
    """
    path = Path(path)
    if not os.path.lexists(path) or kind_of(path) == kind:
        return
    raise ResultError(
        f"{path}: is {what_is(path)}, not {WORDS[kind]}; it is not replaced.\n"
        "  Give another name, or move that file away first."
    )


def kind_of(path: Path) -> str | None:
    """The kind of a file that this program wrote, None for anything else."""
    if not path.is_file():
        return None
    head = _head(path)
    if b"\x89HDF\r\n\x1a\n" in head:
        return _format_of(path)
    if head.lstrip().startswith(b"{"):
        with contextlib.suppress(OSError, ValueError):
            found = json.loads(path.read_text(encoding="utf-8"))
            kind = found.get("format") if isinstance(found, dict) else None
            return kind if kind in (BENCH, OUTCOMES) else None
    if head.startswith(b"<!doctype html>"):
        return PAGE if b'<meta name="generator" content="' + DRAWN_BY.encode() in head else None
    for mark, kind in ((SOLID_MARK, SURFACE), (VOLUME_MARK, VOLUME)):
        if mark.encode() in head:
            return kind
    return PICTURE if _is_picture_of_ours(path, head) else None


def what_is(path: Path) -> str:
    """What exists under a path, in a few words."""
    if not path.exists():
        return "a link to nothing"
    if path.is_dir():
        return "a folder"
    if not path.is_file():
        return "a device or a pipe"
    kind, head = kind_of(path), _head(path)
    if kind in WORDS:
        return WORDS[kind]
    if not head:
        return "an empty file"
    if b"\x89HDF\r\n\x1a\n" in head:
        return "an HDF5 file that Lightlathe did not write, or a damaged one"
    by_content = next((words for magic, words in BEGIN_WITH.items() if head.startswith(magic)), None)
    text = "a text file" if _is_text(head) else "a file that Lightlathe did not write"
    return by_content or ENDINGS.get(path.suffix.lower(), text)


def sha256_of(path: Path) -> str:
    """SHA-256 of a result file's bytes. Raises ResultError where there is none to read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as problem:
        raise ResultError(
            f"{path}: the earlier result that the design starts from cannot be read ({problem.strerror}). Is the path "
            "right? It is relative to the job file."
        ) from None


def _head(path: Path) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read(HEAD)
    except OSError:
        return b"\0"  # cannot be read: not one of ours


def _format_of(path: Path) -> str | None:
    import h5py  # loaded only where there is such a file

    try:
        require_sound_heaps(path)
        with h5py.File(path, "r") as file:
            return str(attribute(file, "format"))
    except (OSError, RuntimeError, ValueError, KeyError, TypeError):
        return None


def _is_picture_of_ours(path: Path, head: bytes) -> bool:
    """Whether matplotlib wrote it with the mark of pictures.py."""
    mark = DRAWN_BY.encode()
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return b"tEXtSoftware\0" + mark in head
    if head.lstrip().startswith(b"<?xml"):
        return b"<svg" in head and b"<dc:title>" + mark + b"</dc:title>" in head
    if head.startswith(b"%PDF-"):
        with contextlib.suppress(OSError):
            return b"/Creator (" + mark + b")" in path.read_bytes()
    return False


def _is_text(head: bytes) -> bool:
    return b"\0" not in head and bool(head.decode("utf-8", "ignore").strip())
