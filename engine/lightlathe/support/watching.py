"""Progress reports to a watcher, without a callback in every signature (as logging does).

    with doing("proving"):              # or @doing("proving") on a function
        for number in range(100):
            step(number + 1, 100)

Without a watcher nothing happens.
"""

import contextlib
from collections.abc import Callable, Iterator, Mapping
from contextvars import ContextVar
from dataclasses import dataclass

Watcher = Callable[[str, int, int | None, Mapping[str, float] | None], None]
"""Called with what is done, in words ("" for nothing any more), the steps done, the steps in all where that is known,
and the figures of the last step where it has any."""


@dataclass
class _Work:
    words: str
    done: int = 0
    of: int | None = None


_watcher: ContextVar[Watcher | None] = ContextVar("watcher", default=None)
_work: ContextVar[_Work | None] = ContextVar("work", default=None)
_case: ContextVar[str] = ContextVar("case", default="")


@contextlib.contextmanager
def watched(watcher: Watcher | None) -> Iterator[None]:
    """Within the block `watcher` receives the reports, in place of any outer one; None changes nothing."""
    if watcher is None:
        yield
        return
    token = _watcher.set(watcher)
    try:
        yield
    finally:
        _watcher.reset(token)


@contextlib.contextmanager
def doing(words: str, of: int | None = None) -> Iterator[None]:
    """Reports an activity for a block or a decorated function; afterwards the enclosing one is current again."""
    token = _work.set(_Work(_case.get() + words, 0, of))
    _tell()
    try:
        yield
    finally:
        _work.reset(token)
        _tell()


@contextlib.contextmanager
def case(number: int, of: int) -> Iterator[None]:
    """Within the block every activity is told as that of one of several cases, numbered from 1: "3 of 14: proving"."""
    token = _case.set(f"{number} of {of}: ")
    try:
        yield
    finally:
        _case.reset(token)


def step(done: int | None = None, of: int | None = None, figures: Mapping[str, float] | None = None) -> None:
    """Reports `done` steps of the activity as finished; one more where `done` is left out."""
    work = _work.get()
    if work is not None:
        work.done = work.done + 1 if done is None else done
        work.of = work.of if of is None else of
        _tell(figures)


def _tell(figures: Mapping[str, float] | None = None) -> None:
    watcher, work = _watcher.get(), _work.get()
    if watcher is None:
        return
    if work is None:
        watcher("", 0, None, None)
    else:
        watcher(work.words, work.done, work.of, figures)
