"""Splitting work among the threads that torch is set to use."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

import numpy as np
import torch

Item = TypeVar("Item")
Found = TypeVar("Found")
AHEAD = 4  # items per thread whose results may wait to be taken


def share_out(work: Callable[[int, int], None], items: int, max_items: int) -> None:
    """Run work(first, last) over 0..items in pieces of up to `max_items`, a whole number of rounds for each thread."""
    threads = min(torch.get_num_threads(), items)
    if threads < 1:
        return
    rounds = -(-items // (threads * max_items))
    edges = np.linspace(0, items, threads * rounds + 1).round().astype(int).tolist()
    if threads == 1:
        for first, last in pairwise(edges):
            work(first, last)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(work, edges[:-1], edges[1:]):  # the results are read so that an error is raised here
            pass


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
