"""The program `lightlathe`: runs the command, and reports errors in a few lines."""

import contextlib
import logging
import os
import signal
import sys
import threading
from importlib import import_module

from lightlathe.cli.bench import bench
from lightlathe.cli.check import check
from lightlathe.cli.compare import compare
from lightlathe.cli.design import design
from lightlathe.cli.export import export
from lightlathe.cli.help import help_on
from lightlathe.cli.init import init
from lightlathe.cli.options import parser
from lightlathe.cli.predict import predict
from lightlathe.cli.progress import Bar
from lightlathe.cli.projector import projector
from lightlathe.cli.report import report
from lightlathe.cli.resin import resin
from lightlathe.cli.say import tell
from lightlathe.cli.show import show
from lightlathe.errors import LightlatheError
from lightlathe.support.leading import leads
from lightlathe.support.watching import doing, watched

EXIT_ERROR = 1
EXIT_INTERRUPTED = 130
# Threads that wait sleep instead of spinning: beside any other load spinning costs several times the whole run.
WAIT_QUIETLY = {"OMP_WAIT_POLICY": "PASSIVE", "KMP_BLOCKTIME": "0", "GOMP_SPINCOUNT": "0"}


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code. Errors that are the user's to solve are printed in a few lines."""
    for name, value in WAIT_QUIETLY.items():
        os.environ.setdefault(name, value)
    arguments = parser().parse_args(argv)
    logging.basicConfig(
        level=logging.INFO if arguments.verbose else logging.ERROR, format="%(name)s: %(message)s", stream=sys.stderr
    )
    before = {}
    if threading.current_thread() is threading.main_thread():
        for number in _polite_kills():
            if signal.getsignal(number) is not signal.SIG_IGN:  # as nohup leaves it
                before[number] = signal.signal(number, _as_interrupt)
    try:
        with Bar() if leads() else contextlib.nullcontext() as bar, watched(bar):
            if arguments.command not in AT_ONCE and sys.stderr.isatty():  # a file need not hold this line
                with doing("starting"):  # the libraries alone take seconds on a slow disk
                    import_module("lightlathe.pipeline")
            return COMMANDS[arguments.command](arguments) or 0
    except LightlatheError as problem:
        print(f"{type(problem).__name__}: {problem}", file=sys.stderr)
        return EXIT_ERROR
    except (MemoryError, RuntimeError) as problem:
        if isinstance(problem, RuntimeError) and "memory" not in str(problem):
            raise
        first = str(problem).splitlines()[0] if str(problem) else "no more memory"
        print(f"OutOfMemory: {first}\n  Larger voxels, `finer = 1`, or a bigger machine help.", file=sys.stderr)
        return EXIT_ERROR
    except BrokenPipeError:
        return EXIT_ERROR
    except OSError as problem:
        print(
            f"{type(problem).__name__}: {problem.filename or 'the output'}: {problem.strerror}. Name another place.",
            file=sys.stderr,
        )
        return EXIT_ERROR
    except KeyboardInterrupt:
        tell("\nstopped")
        return EXIT_INTERRUPTED
    finally:  # a kill that comes when all is done raises nothing
        for number, handler in before.items():
            signal.signal(number, handler)


AT_ONCE = ("init", "help", "resin", "projector")  # need little of the package


def _polite_kills() -> list[signal.Signals]:
    """Signals that ask a program to end: a kill, and a terminal that is closed (which Windows does not tell)."""
    return [signal.Signals[name] for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


def _as_interrupt(*_: object) -> None:
    """SIGTERM acts as an interrupt: the state of a design is written, undisturbed by a second one."""
    for number in _polite_kills():
        signal.signal(number, lambda *_: None)
    raise KeyboardInterrupt


COMMANDS = {
    "init": init, "check": check, "design": design, "compare": compare, "predict": predict, "export": export,
    "report": report, "show": show, "resin": resin, "projector": projector, "bench": bench,
    "help": help_on,
}  # fmt: skip
