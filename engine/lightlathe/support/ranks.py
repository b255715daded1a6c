"""Several processes that share one run, as torchrun starts them: who this one is, and what they tell each other.

    torchrun --nproc-per-node 2 -m lightlathe design JOB
    torchrun --nproc-per-node 2 -m lightlathe compare STUDY

They talk through gloo, which needs no card: what they exchange is patterns in main memory, a few times in a run.
"""

import contextlib
import datetime
import os
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

PATIENCE = datetime.timedelta(days=7)  # a rank may wait for the slabs of the others as long as they take


class HelpedOut(Exception):
    """Raised where a process other than the first has done its share of a run: nothing is left for it to do."""


@dataclass(frozen=True)
class Ranks:
    """`rank` of `size` processes; rank 0 alone reads the user's wishes, prints and writes."""

    rank: int = 0
    size: int = 1

    @property
    def first(self) -> bool:
        return self.rank == 0

    def told_by(self, rank: int, value: Any) -> Any:
        """What the process `rank` passed as `value`, in all of them: any object that pickles."""
        if self.size == 1:
            return value
        told = [value]
        torch.distributed.broadcast_object_list(told, src=rank)
        return told[0]

    def meet(self) -> None:
        """Goes on once all are here."""
        if self.size > 1:
            torch.distributed.barrier()

    def done_by(self, rank: int, work: Callable[[], Any]) -> Any:
        """What `work` gives, done by one process for all of them; by the last where there are fewer."""
        rank = min(rank, self.size - 1)
        return self.told_by(rank, work() if rank == self.rank else None)

    def shared_by(self, rank: int, values: Tensor) -> Tensor:
        """A tensor in main memory, that of `rank`; the others pass one of the same shape and type, to be filled."""
        if self.size > 1:
            values = values.contiguous()
            torch.distributed.broadcast(values, src=rank)
        return values


ALONE = Ranks()
_here: ContextVar[Ranks] = ContextVar("ranks", default=ALONE)


def ranks() -> Ranks:
    """Those that this process belongs to; itself alone outside of `joined`."""
    return _here.get()


@contextlib.contextmanager
def by_itself() -> Iterator[None]:
    """Within, this process designs alone, whatever others there are."""
    token = _here.set(ALONE)
    try:
        yield
    finally:
        _here.reset(token)


@contextlib.contextmanager
def joined() -> Iterator[Ranks]:
    """Meets the other processes that torchrun started, if it did, for as long as the block lasts."""
    size = int(os.environ.get("WORLD_SIZE", "1"))
    if size < 2 or "MASTER_ADDR" not in os.environ:
        yield ALONE
        return
    torch.distributed.init_process_group("gloo", timeout=PATIENCE)
    token = _here.set(Ranks(torch.distributed.get_rank(), size))
    try:
        yield _here.get()
    finally:
        _here.reset(token)
        with contextlib.suppress(RuntimeError):  # another one may be gone already
            torch.distributed.destroy_process_group()


def local_rank() -> int | None:
    """Which of the processes on this machine this one is; None where torchrun did not start it."""
    found = os.environ.get("LOCAL_RANK")
    return None if found is None or "MASTER_ADDR" not in os.environ else int(found)
