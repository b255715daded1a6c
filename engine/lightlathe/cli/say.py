"""Messages shared by commands: notes on files, the outcome of a print, Python about to be run."""

import argparse
import contextlib
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from lightlathe.job import Job
    from lightlathe.judge.outcome import Outcome
    from lightlathe.result import Record
    from lightlathe.support.own import OwnMember


def tell(words: str) -> None:
    """A line on standard error, ignoring a closed terminal: the state must still be written."""
    with contextlib.suppress(OSError):
        print(words, file=sys.stderr, flush=True)


@contextlib.contextmanager
def figures_alone(json: bool) -> Iterator[TextIO]:
    """Gives standard output; with `json` all else that is printed meanwhile goes to standard error."""
    out = sys.stdout
    with contextlib.redirect_stdout(sys.stderr) if json else contextlib.nullcontext():
        yield out


def note(path: Path) -> None:
    """Say what a person should know of a file that was just read."""
    from lightlathe.result.storage import note_on

    if words := note_on(path):
        tell(f"note: {words}")


def say_folder(path: Path) -> None:
    """Say that a file's folder is going to be made, where there is none."""
    if not path.parent.exists():
        tell(f"note: there is no folder {path.parent} yet; it is made")


def told(outcome: "Outcome", *, quietly: bool = False) -> int:
    """The exit code of a print; prints why it is not 0."""
    if outcome.exit_code and not quietly:
        print(outcome.text())
    return outcome.exit_code


def print_notes(*jobs: "Job") -> None:
    """Print each note from reading jobs once: former names."""
    for words in dict.fromkeys(words for job in jobs for words in job.renamed):
        print(f"note: {words}")


def print_own(members: "Iterable[OwnMember]", *, quietly: bool = False) -> None:
    """Say which Python files are about to be run; `quietly` on standard error, where the output is JSON."""
    for name, file in dict.fromkeys((m.name, m.source.file) for m in members):
        words = f"note: {name} is Python of the job's own; running {file}"
        tell(words) if quietly else print(words, flush=True)


def run_own(record: "Record", arguments: argparse.Namespace) -> None:
    """Run the Python that a result holds of its designer's own, if `--run-own` says so."""
    if arguments.run_own:
        from lightlathe.part.own import OwnShape
        from lightlathe.pipeline import job_of

        print_own((m for m in job_of(record).own_of_print if not isinstance(m, OwnShape)), quietly=True)
        job_of(record, run_own=True)
