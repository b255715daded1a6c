"""What a person sees of a running design, and what is left if it is stopped."""

import itertools
import math
import sys
import time
from collections.abc import Callable
from typing import Any


class Keeper:
    """Writes the state of the run at its first iteration, then every half minute, and once more when asked."""

    def __init__(self, write: Callable[[dict, dict], None], every_s: float = 30.0) -> None:
        self._write, self.every_s = write, every_s
        self.last: tuple[dict[str, Any], dict[str, list[float]]] | None = None
        self.written = -math.inf

    def __call__(self, state: dict[str, Any], log: dict[str, list[float]]) -> None:
        self.last = (state, {name: list(values) for name, values in log.items()})
        if time.monotonic() - self.written > self.every_s:
            self.write()

    def write(self) -> None:
        if self.last is not None:
            self._write(*self.last)
            self.written = time.monotonic()


def postfix(figures: dict[str, float]) -> str:
    """What stands behind the bar; a share of nothing, and a window with nothing around the part, are left out."""
    under, over, window = (figures[k] for k in ("under_cure_fraction", "over_cure_fraction", "window_relative"))
    shares = [f"{name} {share:.2%}" for name, share in (("under", under), ("over", over)) if math.isfinite(share)]
    if math.isfinite(window):
        shares.append(f"window {window:.3f}" if window > -10 else "window below -10")
    return " ".join(shares)


class Bar:
    """The progress bar: iterations, wrong voxels and the process window."""

    def __init__(self, iterations: int, log: dict[str, list[float]]) -> None:
        from tqdm import tqdm

        pause = 0.1 if sys.stderr.isatty() else 10.0  # seconds between two lines; a file need not hold every one
        done = len(log.get("iteration", []))
        self.bar = tqdm(total=iterations, initial=done, desc="design", unit="it", leave=True, mininterval=pause)

    def __call__(self, figures: dict[str, float]) -> None:
        self.bar.set_postfix_str(postfix(figures), refresh=False)
        self.bar.update(int(figures["iteration"]) + 1 - self.bar.n)

    def stage(self, words: str) -> None:
        """What runs now that the iterations are done, in place of the word before the bar."""
        self.bar.set_description_str(words)

    def __enter__(self) -> "Bar":
        return self

    def __exit__(self, *_: object) -> None:
        self.bar.close()


class StudyBar(Bar):
    """The progress bar of a study: the iterations of all its designs, which of them runs, what came of the others."""

    def __init__(self, iterations: list[int]) -> None:
        super().__init__(sum(iterations), {})
        self.begins = [0, *itertools.accumulate(iterations)]
        self.number = 0

    def begin(self, number: int, words: str) -> None:
        self.number = number
        self.bar.n = self.begins[number]
        self.bar.set_description_str(f"{number + 1} of {len(self.begins) - 1}, {words}")

    def __call__(self, figures: dict[str, float]) -> None:
        super().__call__({**figures, "iteration": self.begins[self.number] + figures["iteration"]})

    def done(self, words: str) -> None:
        """A line above the bar, on standard output."""
        self.bar.write(words)

    def __enter__(self) -> "StudyBar":
        return self
