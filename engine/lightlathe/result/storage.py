"""Atomic files: one gets its name only when complete, and is read only if it is of the expected kind."""

import contextlib
import logging
import os
import signal
import threading
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py

from lightlathe.errors import ResultError
from lightlathe.result.checksums import SEAL, read_checked, seal
from lightlathe.result.claim import left_by_dead, unfinished_name
from lightlathe.result.disk import Disk
from lightlathe.result.tree import Node
from lightlathe.support.files import (
    ENDINGS,
    OUTCOMES,
    RESULT,
    STATE,
    STUDY,
    WORDS,
    kind_of,
    require_replaceable,
    what_is,
)
from lightlathe.support.hdf5_guards import attribute, require_sound_heaps

FORMAT_VERSION = 3  # older.py says what the versions before held
OTHER = {  # what to do with a file of another kind
    RESULT: " It is a result: `lightlathe predict` and `lightlathe export` take it.",
    STATE: " It is an unfinished design: `lightlathe design JOB --resume` goes on from it.",
    STUDY: " It is a study: `lightlathe compare` shows it.",
}
MOST_TOML_BYTES = 1_000_000  # of a study file, in which a few lines are usual
NO_CHECKSUMS = "carries no checksums (files of before had none), so damage to its numbers would not be noticed"
log = logging.getLogger(__name__)


@contextlib.contextmanager
def whole_file(path: Path, kind: str, *, replace: bool = True) -> Iterator[Any]:
    """A new HDF5 file that takes the name `path` only when the block ends well; checksums are added.

    kind      of support/files.py; ResultError where a file of another kind has that name
    replace   False: ResultError where there is a file of that name by then, which stays as it is
    """
    path = Path(path)
    require_replaceable(path, kind)
    unfinished = path.with_name(unfinished_name(path.name))
    try:
        with _uninterrupted():
            path.parent.mkdir(parents=True, exist_ok=True)
            for left in left_by_dead(path):
                left.unlink(missing_ok=True)
            with contextlib.closing(Disk(unfinished)) as disk:
                # names and records with checksums of their own, which files of before 1.8 have not
                with h5py.File(disk, "w", libver=("v108", "v108")) as file:
                    yield file
                    seal(file)
                disk.finish()
            if not replace and path.exists():
                raise ResultError(
                    f"{path}: came there while this ran, and is left as it is. Move it away, or give another name."
                )
            os.replace(unfinished, path)
    except OSError as problem:
        raise ResultError(
            f"{path}: cannot write the file ({problem.strerror or problem}). Is the folder writable, the disk full?"
        ) from None
    finally:
        with contextlib.suppress(OSError):  # a folder that cannot be written to
            unfinished.unlink(missing_ok=True)


@contextlib.contextmanager
def _uninterrupted() -> Iterator[None]:
    """Ctrl-C and SIGTERM wait until the block is done: HDF5 does not survive an exception inside a write."""
    if threading.current_thread() is not threading.main_thread():  # others are not interrupted
        yield
        return
    came: list[int] = []
    names = ("SIGINT", "SIGTERM", "SIGHUP")  # no SIGHUP on Windows
    signals = [number for name in names if (number := getattr(signal, name, None)) is not None]
    handled = [s for s in signals if callable(signal.getsignal(s))]
    before = {s: signal.signal(s, lambda number, _: came.append(number)) for s in handled}
    try:
        yield
    finally:
        for s, handler in before.items():
            signal.signal(s, handler)
        if came:
            signal.raise_signal(came[0])


def require_writable(path: Path, kind: str = RESULT) -> None:
    """ResultError before any work, where a file of this kind could not be written after it."""
    if path.is_dir():
        raise ResultError(f"{path}: is a folder; expected the name of a file.")
    require_replaceable(path, kind)
    probe = path.with_name(f".{path.name}.probe")
    try:
        with whole_file(probe, kind):
            pass
    except ResultError:
        raise ResultError(f"{path}: cannot be written. Does the folder exist, and may you write there?") from None
    probe.unlink(missing_ok=True)  # another run may look at the same place


@contextlib.contextmanager
def opened(path: str | Path, expected: str) -> Iterator[Node]:
    """The content of a file of the kind `expected`; ResultError for any other or damaged file.

    Any exception in the block is reported as damage, too.
    """
    path = Path(path)
    if not path.is_file():
        writes = "compare STUDY" if expected == STUDY else "design JOB"
        raise ResultError(f"{path}: no such file. `lightlathe {writes}` writes one.")
    try:
        require_sound_heaps(path)
        with _readable(path, expected) as file:
            _require_kind(path, file, expected)
            root = read_checked(file)
        if SEAL not in root.attrs:
            log.warning("%s %s", path, NO_CHECKSUMS)
        yield root
    except (ResultError, MemoryError):
        raise
    except KeyError as problem:
        raise ResultError(f"{path}: incomplete result file: {problem.args[0]}.") from None
    except Exception as problem:  # h5py, JSON, numpy and grids raise whatever they meet
        raise ResultError(f"{path}: damaged result file: {str(problem)[:300]}.") from problem


def _readable(path: Path, expected: str) -> Any:
    try:
        return h5py.File(path, "r")
    except OSError as problem:
        if kind_of(path) == OUTCOMES:
            result = path.with_name(path.name.removesuffix(".outcomes.json") + ".h5")
            raise ResultError(
                f"{path}: is the list of prints kept of a result; expected the result itself, {result}. "
                f"`lightlathe predict {result} --kept` says what these prints tell."
            ) from None
        if ENDINGS.get(path.suffix.lower()) == "a mesh":
            raise ResultError(
                f"{path}: is a mesh, not a result. A job that names it (mesh in [part]) can be designed; "
                "`lightlathe init` writes one to begin with."
            ) from None
        if path.suffix.lower() == ".toml":
            raise ResultError(f"{path}: {instead_of_toml(path, expected)}") from None
        if not h5py.is_hdf5(path):
            raise ResultError(f"{path}: is {what_is(path)}; expected {WORDS[expected]} (HDF5).") from None
        raise ResultError(f"{path}: not a readable HDF5 file ({problem}). Was it cut off while being copied?") from None


def instead_of_toml(path: Path, expected: str) -> str:
    """What a TOML file is, and which command makes the HDF5 file of it that was expected."""
    wanted = f"expected {WORDS[expected]} (HDF5)"
    with contextlib.suppress(OSError, ValueError):
        if path.stat().st_size < MOST_TOML_BYTES and "study" in tomllib.loads(path.read_text(encoding="utf-8")):
            made = f"{path.stem}.study.h5"
            return (
                f"is a study file (TOML); {wanted}. `lightlathe compare {path} -o {made}` makes its runs, and "
                f"`lightlathe report {made}` their page."
            )
    return f"is a job (TOML); {wanted}. `lightlathe design {path}` makes the result of a job."


def _require_kind(path: Path, file: Any, expected: str) -> None:
    kind = str(attribute(file, "format") if "format" in file.attrs else "no format given")[:60]
    if kind != expected:
        raise ResultError(f"{path}: its format is '{kind}'; expected '{expected}'.{OTHER.get(kind, '')}")
    version = int(attribute(file, "format_version"))
    if version > FORMAT_VERSION:
        raise ResultError(
            f"{path}: format version {version}; this program reads up to {FORMAT_VERSION}. Update lightlathe."
        )


def note_on(path: Path) -> str | None:
    """A note on a file without checksums; else None."""
    with h5py.File(path, "r") as file:
        return None if SEAL in file.attrs else f"{path} {NO_CHECKSUMS}."
