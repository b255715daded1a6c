"""Sharing out a loop among the threads that torch is set to use."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
import torch


def share_out(work: Callable[[int, int], None], items: int, most: int) -> None:
    """Run work(first, last) over 0..items in pieces of at most `most`, a whole number of rounds for every thread."""
    threads = min(torch.get_num_threads(), items)
    if threads < 1:
        return
    rounds = -(-items // (threads * most))
    edges = np.linspace(0, items, threads * rounds + 1).round().astype(int).tolist()
    if threads == 1:
        for first, last in pairwise(edges):
            work(first, last)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(work, edges[:-1], edges[1:]):  # the results are read so that an error is raised here
            pass
