"""What came out of the prints of a result: NAME.outcomes.json beside NAME.h5.

A file of its own, so that keeping a note never touches the result: it is written under another name and renamed. It
says by the result's checksum whose prints they are.
"""

import contextlib
import hashlib
import json
import math
import os
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py

from lightlathe.errors import ResultError, shown
from lightlathe.result.checksums import SEAL
from lightlathe.support.files import OUTCOMES, require_replaceable

FORMAT, VERSION = OUTCOMES, 1
MAX_BYTES, MOST, LONGEST = 10_000_000, 10_000, 2000  # of the file; prints; characters of a text
WAIT_S = 10.0  # for another process that keeps a print just now


@dataclass(frozen=True)
class Kept:
    """One print.

    exposure_s   in s
    came_out     what was seen, in the person's words
    photo        path of a picture, relative to the folder where it lies inside it; its SHA-256 in photo_sha256
    kept_utc     when it was kept
    """

    exposure_s: float
    came_out: str
    photo: str | None = None
    photo_sha256: str | None = None
    kept_utc: str = ""


def outcomes_path(result: Path) -> Path:
    """Where the outcomes of a result are kept."""
    return result.with_name(f"{result.name.removesuffix('.h5')}.outcomes.json")


def read_outcomes(result: Path) -> tuple[Kept, ...]:
    """The prints kept of a result, the first one first; none where nothing was kept.

    Raises ResultError for a file that is damaged, or of another result of the same name.
    """
    path = outcomes_path(result)
    if not os.path.lexists(path):
        return ()
    found = _table(path)
    if found.get("format") != FORMAT or found.get("format_version") != VERSION:
        kind, version = shown(found.get("format")), shown(found.get("format_version"))
        raise ResultError(f"{path}: its format is {kind}, version {version}; expected '{FORMAT}', version {VERSION}.")
    if found.get("result") != _identity(result):
        raise ResultError(
            f"{path}: holds the prints of another design than {result.name}. Move it away, or give the result its "
            "former name back."
        )
    vials = found.get("vials")
    if not isinstance(vials, list) or len(vials) > MOST:
        raise ResultError(f"{path}: vials is {shown(vials)}; expected a list of prints, {MOST} at most.")
    return tuple(_kept(entry, f"{path}: print {number}") for number, entry in enumerate(vials, 1))


def keep_outcomes(result: Path, new: list[Kept]) -> Path:
    """Add prints to those kept of a result; returns the file's path. Raises ResultError; what was kept stays then."""
    from filelock import FileLock, Timeout

    path = outcomes_path(result)
    require_replaceable(path, OUTCOMES)
    lock = path.with_name(f".{path.name}.lock")
    try:
        with FileLock(lock, timeout=WAIT_S):
            try:
                now = datetime.now(UTC).isoformat(timespec="seconds")
                vials = [*read_outcomes(result), *(Kept(**{**asdict(one), "kept_utc": now}) for one in new)]
                table = {"format": FORMAT, "format_version": VERSION, "result": _identity(result)}
                _write(path, {**table, "vials": [asdict(one) for one in vials]})
            finally:  # while it is held: who waits for the removed file sees that it is gone and makes a new one
                with contextlib.suppress(OSError):  # a system that does not let go of open files
                    lock.unlink()
    except Timeout:
        raise ResultError(f"{path}: another process is writing it. Try again.") from None
    except OSError as problem:
        why = problem.strerror or problem
        raise ResultError(f"{path}: cannot be written ({why}). Is the folder writable?") from None
    return path


def photo_of(photo: Path, result: Path) -> tuple[str, str]:
    """(path, SHA-256) of a picture as they are kept. Raises ResultError where there is no such file."""
    try:
        with photo.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as problem:
        raise ResultError(f"{photo}: the photo cannot be read ({problem.strerror}). Is the path right?") from None
    whole, folder = photo.resolve(), result.resolve().parent
    return (whole.relative_to(folder).as_posix() if whole.is_relative_to(folder) else str(whole)), sha256


def photo_file(kept: Kept, result: Path) -> Path:
    """Where the photo of a kept print lies."""
    return result.resolve().parent / (kept.photo or "")


def _identity(result: Path) -> dict[str, Any]:
    """What tells a result from others of the same name."""
    with h5py.File(result, "r") as file:
        return {name: str(file.attrs[name]) for name in ("name", "created_utc", SEAL) if name in file.attrs}


def _table(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise ResultError(f"{path}: more than {MAX_BYTES / 1e6:g} MB; expected a list of prints.")
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as problem:
        raise ResultError(f"{path}: cannot be read as a list of prints ({str(problem)[:200]}).") from None
    if not isinstance(found, dict):
        raise ResultError(f"{path}: is no table; expected a list of prints, as --keep writes it.")
    return found


def _kept(entry: Any, where: str) -> Kept:
    """One print of the file. Raises ResultError that names it."""
    names = [f.name for f in fields(Kept)]
    if not isinstance(entry, dict) or not set(entry) <= set(names):
        raise ResultError(f"{where} is {shown(entry)}; expected a table with {', '.join(names)}.")
    seconds, texts = entry.get("exposure_s"), {name: entry.get(name) for name in names[1:]}
    if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not (0 < seconds < math.inf):
        raise ResultError(f"{where}: exposure_s is {shown(seconds)}; expected a time above 0 in s.")
    for name, text in texts.items():
        optional = name in ("photo", "photo_sha256")
        if not (text is None and optional) and (not isinstance(text, str) or len(text) > LONGEST):
            raise ResultError(f"{where}: {name} is {shown(text)}; expected a text.")
    return Kept(
        float(seconds),
        str(texts["came_out"]),
        photo=texts["photo"],
        photo_sha256=texts["photo_sha256"],
        kept_utc=str(texts["kept_utc"]),
    )


def _write(path: Path, table: dict[str, Any]) -> None:
    """The file as a whole: under another name first, then renamed."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.writing")
    try:
        with unfinished.open("w", encoding="utf-8") as file:
            json.dump(table, file, indent=1, ensure_ascii=False, allow_nan=False)
            file.write("\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(unfinished, path)
    finally:
        unfinished.unlink(missing_ok=True)
