"""Splitting work among the threads that torch is set to use."""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from functools import lru_cache
from itertools import pairwise
from threading import current_thread
from typing import TypeVar

import numpy as np
import torch

Item = TypeVar("Item")
Found = TypeVar("Found")
NAME = "share_out"  # of its threads
AHEAD = 4  # items per thread whose results may wait to be taken


@lru_cache(maxsize=1)
def _pool(threads: int) -> ThreadPoolExecutor:
    """Threads that stay: a design shares out its work a thousand times and more."""
    return ThreadPoolExecutor(threads, NAME)


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_pool.cache_clear)  # a forked process has none of its parent's threads


def share_out(work: Callable[[int, int], None], items: int, max_items: int) -> None:
    """Run work(first, last) over 0..items in pieces of up to `max_items`, a whole number of rounds for each thread."""
    threads = min(torch.get_num_threads(), items)
    if threads < 1:
        return
    rounds = -(-items // (threads * max_items))
    edges = np.linspace(0, items, threads * rounds + 1).round().astype(int).tolist()
    if threads == 1 or current_thread().name.startswith(NAME):  # shared out within what is shared out
        for first, last in pairwise(edges):
            work(first, last)
        return
    pieces: list[Future[None]] = []
    try:
        for first, last in pairwise(edges):
            pieces.append(_pool(threads).submit(work, first, last))
        for piece in pieces:
            piece.result()
    finally:  # after an error or Ctrl-C too: the arrays are the caller's again
        for piece in pieces:
            piece.cancel()
        wait(pieces)


def in_threads(work: Callable[[Item], Found], items: Iterable[Item]) -> Iterator[Found]:
    """The result of work(item) for each item, in order; items are drawn here, few ahead of the result that is taken."""
    threads = torch.get_num_threads()
    with ThreadPoolExecutor(threads) as pool:
        waiting = deque()
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) > AHEAD * threads:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:  # of an error here, or where no more results are taken
            for future in waiting:
                future.cancel()
