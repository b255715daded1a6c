"""How processes that torchrun started work beside each other, each on a device of its own or on shared cores."""

from typing import Any

import torch

from lightlathe.bench.timing import timed, wait
from lightlathe.bench.workloads import Workload
from lightlathe.support.ranks import ranks
from lightlathe.support.watching import doing

EXCHANGED = 1 << 25  # numbers of two bytes that one process sends the others: patterns of a slab


def seconds_for(quick: bool) -> float:
    """That each measurement takes."""
    return 0.6 if quick else 4.0


def together(work: Workload | None, device: torch.device, *, for_s: float) -> dict[str, Any]:
    """Both products in the first process while the others wait, then in all at once; called in every process.

    work   as the first process has it; the others are told

    alone_s         seconds of both products in the first process alone
    beside_s        the same in each process, all at once
    speedup         how many times as much all do in the time of one: processes * alone_s / the longest of beside_s
    exchange_gb_s   patterns that one process sends all others, as after each slab of a design
    """
    team = ranks()
    work = team.told_by(0, work)
    assert work is not None
    operator = work.operator(device)
    patterns = torch.rand(operator.pattern_shape, device=device)
    dose = operator(patterns)

    def both() -> float:
        directions = (lambda: operator(patterns)), (lambda: operator.transpose(dose))
        return sum(timed(call, device, for_s=for_s / 2).seconds for call in directions)

    with doing(f"measuring {work.name}: one of {team.size} processes"):
        alone = team.done_by(0, both)
    with doing(f"measuring {work.name}: {team.size} processes at once"):
        team.meet()
        mine = both()
    beside = [team.told_by(rank, mine) for rank in range(team.size)]
    sent = torch.zeros(EXCHANGED, dtype=torch.float16)

    def exchange() -> None:
        team.shared_by(0, sent)
        team.meet()

    wait(device)
    seconds = timed(exchange, torch.device("cpu"), for_s=0, min_runs=5).seconds
    return {
        "processes": team.size,
        "case": work.name,
        "alone_s": alone,
        "beside_s": beside,
        "speedup": team.size * alone / max(beside),
        "exchange_gb_s": sent.nbytes / seconds / 1e9,
    }


def together_words(found: dict[str, Any]) -> list[str]:
    """That as lines for a person."""
    slowest = max(found["beside_s"])
    return [
        f"{found['processes']} processes: {found['case']} both products take {found['alone_s']:.3g} s in one alone, "
        f"{slowest:.3g} s in the slowest of all at once:",
        f"together they do {found['speedup']:.2f} times the work of one. Patterns go to all at "
        f"{found['exchange_gb_s']:.2g} GB/s.",
    ]
