"""Timing: warm-up, repeats, device synchronisation."""

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

import torch


@dataclass(frozen=True)
class Timed:
    """Seconds of one call: the median, the fastest, and how far the runs spread ((slowest - fastest) / median).

    On a shared host the fastest run tells most about the program, the spread most about the host.
    """

    seconds: float
    fastest: float
    spread: float


def timed(call: Callable[[], object], device: torch.device, *, for_s: float = 0.5, min_runs: int = 3) -> Timed:
    """Time a call for about `for_s` seconds, `min_runs` runs at least, after one that is not counted."""
    call()
    wait(device)
    seconds: list[float] = []
    began = time.perf_counter()
    while len(seconds) < min_runs or (time.perf_counter() - began < for_s and len(seconds) < 1000):
        seconds.append(_once(call, device))
    middle = statistics.median(seconds)
    return Timed(middle, min(seconds), (max(seconds) - min(seconds)) / middle)


def wait(device: torch.device) -> None:
    if device.type == "cuda":
        torch.cuda.synchronize(device)


def _once(call: Callable[[], object], device: torch.device) -> float:
    if device.type != "cuda":
        began = time.perf_counter()
        call()
        return time.perf_counter() - began
    with torch.cuda.device(device):
        first, last = torch.cuda.Event(enable_timing=True), torch.cuda.Event(enable_timing=True)
        first.record()
        call()
        last.record()
        last.synchronize()
    return first.elapsed_time(last) / 1000
