"""Splitting a loop among the threads that torch is set to use."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
import torch


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
