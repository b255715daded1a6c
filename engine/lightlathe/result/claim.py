"""Locks on outputs: one run at a time for one output; cleans up after dead runs.

While a run lasts it holds `.NAME.lock` beside its output, locked through the operating system, which releases it
however the run ends: a dead process leaves only a file, which is taken over. The file names its holder.
"""

import contextlib
import datetime
import json
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import psutil

from lightlathe.errors import ResultError

SUFFIX = ".writing"


@contextlib.contextmanager
def claimed(output: Path) -> Iterator[None]:
    """Hold an output for as long as the block lasts; ResultError saying who holds it where another run does.

    One claim covers NAME, NAME.h5 and the state of their designs, NAME.partial.h5. Half-written files of
    these that dead processes left are removed.
    """
    from filelock import FileLock, Timeout

    stem = output.name.removesuffix(".h5")
    lock = output.with_name(f".{stem}.lock")
    try:
        output.parent.mkdir(parents=True, exist_ok=True)
        held = FileLock(lock, timeout=0).acquire()
    except Timeout:
        raise ResultError(
            f"{output}: {_holder(lock)} is writing it now. Wait until it is done, or give another name with -o."
        ) from None
    except OSError as problem:
        raise ResultError(
            f"{lock}: cannot be made or locked ({problem.strerror or problem}). Is the folder writable?"
        ) from None
    with held:
        for name in (output.name, f"{stem}.partial.h5"):
            for left in left_by_dead(output.with_name(name)):
                left.unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # a full disk; the lock holds all the same
            lock.write_text(json.dumps({"pid": os.getpid(), "host": socket.gethostname(), "since": _now()}))
        try:
            yield
        finally:
            with contextlib.suppress(OSError):  # a system that does not let go of open files
                lock.unlink()


def _now() -> str:
    return datetime.datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")


def _holder(lock: Path) -> str:
    try:
        said = json.loads(lock.read_text())
        return f"process {said['pid']} on {said['host']}, since {said['since']},"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process"


def unfinished_name(name: str) -> str:
    """Of the file that becomes `name` when it is complete; says whose it is."""
    return f".{name}.{socket.gethostname()}.{os.getpid()}{SUFFIX}"


def left_by_dead(path: Path) -> list[Path]:
    """Half-written files of `path` whose process on this machine is gone."""
    begins = f".{path.name}.{socket.gethostname()}."
    found = []
    for left in path.parent.iterdir():
        number = left.name.removeprefix(begins).removesuffix(SUFFIX)
        if left.name == f"{begins}{number}{SUFFIX}" and number.isdecimal() and not psutil.pid_exists(int(number)):
            found.append(left)
    return found
