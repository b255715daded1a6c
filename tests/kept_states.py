"""A design whose states are kept in files on the way, for tests that go on from them."""

from collections.abc import Callable, Collection
from itertools import count
from pathlib import Path
from typing import Any

from lightlathe import pipeline
from lightlathe.job import Job, resolved
from lightlathe.result import Record, read_partial, write_partial


def design_with_states(
    job: Job, folder: Path, stops: Collection[Any], key: Callable[[dict, int], Any] = lambda state, number: number
) -> tuple[Record, dict[Any, Any]]:
    """The whole design, and by `key(state, number from 1 on)` those of its states that are in `stops`, each as it
    comes back from a file: what a run that was stopped there goes on from."""
    numbers, paths = count(1), {}

    def keep(state, log):
        at = key(state, next(numbers))
        if at in stops:
            paths[at] = folder / f"{len(paths)}.partial.h5"
            write_partial(paths[at], job.text, resolved(job), state, log)

    whole = pipeline.design(job, checkpoint=keep)
    return whole, {at: read_partial(paths[at], resolved(job)) for at in stops}


def same_design(one: Record, other: Record) -> bool:
    """The same levels after the same losses."""
    return bool((one.patterns.levels == other.patterns.levels).all()) and one.log["loss"] == other.log["loss"]
