"""Progress on the terminal, and the state that an interrupted design leaves."""

import itertools
import math
import sys
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from lightlathe.cli.say import tell
from lightlathe.errors import LightlatheError

KEPT_S = 2.0  # seconds; what is quicker leaves no line
QUIET_S = {True: 0.3, False: 2.0}  # on a terminal, in a file: what is quicker is not shown at all
PAUSE_S = {True: 0.1, False: 10.0}  # between two states of a line; a file need not hold every one
TICK_S = 0.5
SHARE = 33  # seconds of design for each second in which its state is written
OFTEN_S = 30.0  # from one state to the next at least, and from the start to the first


class Keeper:
    """Writes the state of a run now and then, for at most 3 % of its time, and once more when asked.

    After a write that took t seconds, SHARE t pass before the next, and 30 s at least; before the first, SHARE times
    what it is going to take, and 30 s at least.
    """

    def __init__(
        self,
        write: Callable[[dict, dict], None],
        cost: Callable[[dict], float],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`cost` gives the seconds that writing a state is going to take; it is asked once, after OFTEN_S."""
        self._write, self._cost, self._clock = write, cost, clock
        self.last: tuple[dict[str, Any], dict[str, list[float]]] | None = None
        self.written: Any = None  # the last state that was written
        self.began: float | None = None
        self.due, self.known, self.failed = math.inf, False, False

    def __call__(self, state: dict[str, Any], log: dict[str, list[float]]) -> None:
        self.last = (state, {name: list(values) for name, values in log.items()})
        if self.began is None:
            self.began = self._clock()
            self.due = self.began + OFTEN_S
        if self._clock() < self.due:
            return
        try:
            if not self.known:
                self._plan(state)
            if self._clock() >= self.due:
                self.write()
        except LightlatheError as problem:  # there may be room again before it ends
            self.due = self._clock() + OFTEN_S
            if not self.failed:
                tell(f"\nThe state could not be written, and the design goes on without it: {problem}")
            self.failed = True

    def _plan(self, state: dict[str, Any]) -> None:
        """When the first is due: finding out what it takes is part of what it takes."""
        asked = self._clock()
        cost_s = self._cost(state)
        self.known, self.due = True, (self.began or 0.0) + max(OFTEN_S, SHARE * (cost_s + self._clock() - asked))

    def write(self) -> None:
        """Write the last state, unless that was done."""
        if self.last is None or self.last is self.written:
            return
        began = self._clock()
        self._write(*self.last)
        self.written, self.known, ended = self.last, True, self._clock()
        self.due = ended + max(OFTEN_S, SHARE * (ended - began))


def postfix(figures: Mapping[str, float]) -> str:
    """What stands behind the bar; a share of nothing, and a window with nothing around the part, are left out."""
    under, over, window = (figures[k] for k in ("under_cure_fraction", "over_cure_fraction", "window_relative"))
    shares = [f"{name} {share:.2%}" for name, share in (("under", under), ("over", over)) if math.isfinite(share)]
    if math.isfinite(window):
        shares.append(f"window {window:.3f}" if window > -10 else "window below -10")
    return " ".join(shares)


class Bar:
    """One line on standard error with the current activity and its progress: a watcher for support/watching.py.

    What is quick gets no line, what took KEPT_S or more keeps its own when it is done. A thread of its own shows what
    has no steps, so that the line is there, and its clock goes, while a single long call runs.
    """

    def __init__(self) -> None:
        self.bar: Any = None
        self.words, self.done, self.begun_at, self.began = "", 0, 0, 0.0
        self.of: int | None = None
        self.quiet_s = QUIET_S[sys.stderr.isatty()]
        self.lock, self.ended = threading.RLock(), threading.Event()
        self.clock = threading.Thread(target=self.tick, daemon=True)

    def __call__(self, words: str, done: int, of: int | None, figures: Mapping[str, float] | None) -> None:
        with self.lock:
            if words != self.words or of != self.of:
                self.close()
                self.words, self.of, self.began = words, of, time.time()
                self.begun_at = done
            self.done = done
            if words:
                self.show(figures)

    def show(self, figures: Mapping[str, float] | None = None) -> None:
        if self.bar is None:
            if time.time() - self.began < self.quiet_s:
                return
            from tqdm import tqdm

            pause = PAUSE_S[sys.stderr.isatty()]
            shape = None if self.of is not None else "{desc} [{elapsed}]"
            self.bar = tqdm(total=self.of, initial=self.begun_at, desc=self.words, mininterval=pause, bar_format=shape)
            self.bar.start_t = self.began
        if figures is not None:
            self.bar.set_postfix_str(postfix(figures), refresh=False)
        self.bar.update(self.done - self.bar.n)

    def tick(self) -> None:
        """Until the end: show what has become long, and let the clock of what has no steps go on."""
        while not self.ended.wait(TICK_S):
            with self.lock:
                if self.words:
                    self.show()
                if self.bar is not None and self.of is None and sys.stderr.isatty():
                    self.bar.refresh()

    def close(self) -> None:
        if self.bar is not None:
            self.bar.leave = time.time() - self.began >= KEPT_S
            self.bar.close()
        self.bar, self.words = None, ""

    def __enter__(self) -> "Bar":
        self.clock.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.ended.set()
        self.clock.join()
        self.close()


class StudyBar:
    """The progress bar of a study: the iterations of all its designs, which of them runs, what it does just now.

    It is told of iterations by study/run.py, and is a watcher for support/watching.py besides.
    """

    def __init__(self, iterations: list[int]) -> None:
        from tqdm import tqdm

        pause = PAUSE_S[sys.stderr.isatty()]
        self.bar = tqdm(total=sum(iterations), desc="designs", unit="it", mininterval=pause)
        self.begins = [0, *itertools.accumulate(iterations)]
        self.number, self.name = 0, ""

    def begin(self, number: int, words: str) -> None:
        self.number, self.name = number, f"{number + 1} of {len(self.begins) - 1}, {words}"
        self.bar.n = self.begins[number]
        self.bar.set_description_str(self.name)

    def __call__(self, figures: Mapping[str, float]) -> None:
        self.bar.set_postfix_str(postfix(figures), refresh=False)
        self.bar.update(self.begins[self.number] + int(figures["iteration"]) + 1 - self.bar.n)

    def watch(self, words: str, done: int, of: int | None, figures: Mapping[str, float] | None) -> None:
        """What is done within a design beside its iterations."""
        now = words if not words or of is None or done == 0 else f"{words} {done}/{of}"
        self.bar.set_description_str(": ".join(part for part in (self.name, now) if part), refresh=figures is None)

    def done(self, words: str) -> None:
        """A line above the bar, on standard output."""
        self.bar.write(words)

    def __enter__(self) -> "StudyBar":
        return self

    def __exit__(self, *_: object) -> None:
        self.bar.close()
