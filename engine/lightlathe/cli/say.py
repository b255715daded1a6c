"""What several commands say: notes on files, the outcome of a print, what is about to be run."""

import contextlib
import math
import sys
from pathlib import Path
from typing import Any


def tell(words: str) -> None:
    """A line on standard error, if there still is one: a closed terminal must not keep a state from being written."""
    with contextlib.suppress(OSError):
        print(words, file=sys.stderr, flush=True)


def note(path: Path) -> None:
    """Say what a person should know of a file that was just read."""
    from lightlathe.result.storage import note_on

    if words := note_on(path):
        tell(f"note: {words}")


def told(outcome: Any, *, quietly: bool = False) -> int:
    """The exit code of a print, and in words why it is not 0."""
    if outcome.exit_code and not quietly:
        print(outcome.text())
    return outcome.exit_code


def finite(figures: dict[str, float]) -> dict[str, float | None]:
    """Figures for JSON, which knows no NaN."""
    return {name: value if math.isfinite(value) else None for name, value in figures.items()}


def print_notes(*jobs: Any) -> None:
    """Say once what reading jobs brought up: names of before."""
    for words in dict.fromkeys(words for job in jobs for words in job.notes):
        print(f"note: {words}")


def print_own(*jobs: Any) -> None:
    """Say which Python files of jobs are about to be run."""
    for name, file in dict.fromkeys((m.name, m.source.file) for job in jobs for m in job.own):
        print(f"note: {name} is Python of the job's own; running {file}", flush=True)
