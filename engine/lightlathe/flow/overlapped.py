"""Slices that share rows of light, designed slab after slab, each with slices of its neighbours beside it.

Rows near the edge of a slab light slices of the next one as well. So a slab is designed together with `beside` slices
on either side, BESIDE times as many as a row reaches, and of what it finds the rows of its own slices are kept. The
slices at the seams then get a little of their light from rows that were made for others; how much that costs is in
benchmarks/QUALITY.md, and every figure of the print is of the patterns put together.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.families import Stop
from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import ByRow, rows_first
from lightlathe.solve import ALL_DONE, Outcome, Problem
from lightlathe.solve.kept import bytes_of, kept_as, of_slices
from lightlathe.solve.slabs import LARGEST_STATE, share_of_time
from lightlathe.support.ranks import ranks

BESIDE = 2.0  # times the reach of a row: benchmarks/QUALITY.md
LOOKED_AT = 8  # slices whose rows tell how far rows reach
Run = dict[str, Any]


@dataclass(frozen=True)
class Cut:
    """Slices first..end - 1 that a slab designs, those from `start` to `stop` - 1 of which are its own."""

    start: int
    stop: int
    first: int
    end: int

    def problem(self, whole: Problem) -> tuple[slice, Problem]:
        """The rows that reach these slices, and their problem, on the operator's device."""
        rows, operator = whole.operator.slab(self.first, self.end).of_its_rows()
        target = whole.target.of_slices(torch.arange(self.first, self.end), whole.operator.device)
        return rows, Problem(operator, whole.loss, target, whole.limit, whole.penalties, whole.response)


def reach_of(operator: LinearMap) -> int:
    """How many slices further on the rows that light a slice reach: the most of LOOKED_AT slices about the middle, and
    all slices where some row reaches as far as the grid."""
    nz = operator.dose_shape[2]
    middle = max(0, nz // 2 - LOOKED_AT)
    rows = [operator.slab(k, k + 1).of_its_rows()[0] for k in range(middle, nz)]
    found = 0
    for k, lit in enumerate(rows[:LOOKED_AT]):
        away = next((n for n, others in enumerate(rows[k + 1 :]) if others.start >= lit.stop), None)
        if away is None:
            return nz
        found = max(found, away)
    return found


def begun(problem: Problem, most: int, seconds: float = 0.0) -> Run:
    """A run of which nothing is designed yet.

    best   (row, angle, column) patterns, in main memory
    at     the first slice that is not done;   row   the first row that is not
    most   slices of a slab with those beside it;   beside   how many on either side
    slabs, ended, why, iteration, slab   as in solve/slabs.py
    """
    beside = math.ceil(BESIDE * reach_of(problem.operator))
    if most <= 2 * beside:
        raise JobError(
            f"slabs of {most} slices are asked for or fit the memory, and each needs {beside} slices of its neighbours "
            f"on either side, which its rows light.\n  slab_slices = {4 * beside + 1} in [design] or more, larger "
            "voxels, or less blur along z would do."
        )
    part, (angles, columns, rows) = problem.target.with_part.nonzero().flatten(), problem.operator.pattern_shape
    return {
        "best": torch.zeros(rows, angles, columns, dtype=kept_as(problem)),
        "at": int(part[0]),
        "end": int(part[-1]) + 1,
        "row": 0,
        "most": most,
        "beside": beside,
        "slabs": 0,
        "ended": 0,
        "why": ALL_DONE,
        "iteration": 0,
        "seconds": seconds,
    }


def designed(
    problem: Problem,
    start: Tensor | Callable[[Problem], Tensor],
    run: Run,
    one: Callable[..., Outcome],
    *,
    on_iteration: Callable[[dict[str, float]], None],
    checkpoint: Callable[[Run], None],
    stop: Stop | None = None,
) -> Outcome:
    """The design of all slabs from where a run stands.

    one   designs the problem of a slab: (problem, start, number of the slab, state=, stop=, spent_s=, on_iteration=,
          checkpoint=)
    """
    team, log = ranks(), {}
    while run["at"] < run["end"]:
        here = _cuts(run, problem.target.with_part, team.size)
        mine = here[team.rank] if team.rank < len(here) else None
        made, found = None, None
        if mine is not None:
            own: list[dict[str, float]] = []

            def told(row: dict[str, float], own: list = own, number: int = run["slabs"] + team.rank) -> None:
                row["slab"] = float(number)
                own.append(row)
                on_iteration(row)

            def keep(state: Run, run: Run = run) -> None:
                if team.size == 1 and bytes_of(state) <= LARGEST_STATE:
                    checkpoint({**run, "slab": state, "iteration": state["iteration"], "seconds": state["seconds"]})

            rows, part = mine.problem(problem)
            begin = start[:, :, rows].to(part.operator.device).contiguous() if isinstance(start, Tensor) else start
            left = -(-(run["end"] - run["at"]) // max(1, (run["most"] - 2 * run["beside"]) * team.size))
            outcome = one(
                part, begin, run["slabs"] + team.rank, state=run.get("slab") if team.first else None,
                spent_s=run["seconds"], stop=share_of_time(stop, run["seconds"], left), on_iteration=told,
                checkpoint=keep,
            )  # fmt: skip
            found = outcome.patterns
            assert isinstance(found, Tensor)
            made = rows, own, outcome.stopped_because, outcome.state["seconds"]
        for rank, cut in enumerate(here):
            rows, given, why, seconds = team.told_by(rank, made)
            best = run["best"]
            patterns = best.new_empty(rows.stop - rows.start, *best.shape[1:])
            if found is not None and rank == team.rank:
                patterns = rows_first(found).to(best.dtype).contiguous().cpu()
            patterns = team.shared_by(rank, patterns)
            last = _last_row(problem.operator, cut, run["end"])
            first = max(run["row"], rows.start)
            best[first:last] = patterns[first - rows.start : last - rows.start]
            for row in given:
                for name, value in row.items():
                    log.setdefault(name, []).append(value)
                if rank != team.rank:
                    on_iteration(row)
            ended = run["ended"] + (why != ALL_DONE)
            run = {**run, "at": cut.stop, "row": last, "slabs": run["slabs"] + 1, "ended": ended}
            run["seconds"] = max(run["seconds"], seconds)
            run |= {"why": why if why != ALL_DONE else run["why"], "slab": None}
        if team.first:
            checkpoint(run)
    why = run["why"] if run["ended"] == run["slabs"] else ALL_DONE
    best, device, dtype = run["best"], problem.operator.device, problem.operator.dtype
    light = ByRow(problem.operator.pattern_shape, dtype, device, lambda rows: of_slices(best, rows, device, dtype))
    return Outcome(light, best, log, run, why)


def _cuts(run: Run, with_part: Tensor, count: int) -> list[Cut]:
    """The next slabs, `count` of them or as many as are left; each begins at a slice with part (slice,)."""
    own, beside, at, found = run["most"] - 2 * run["beside"], run["beside"], run["at"], []
    while len(found) < count and at < run["end"]:
        start = at + int(with_part[at:].nonzero()[0])
        at = min(start + own, run["end"])
        found.append(Cut(start, at, max(0, start - beside), min(len(with_part), at + beside)))
    return found


def _last_row(operator: LinearMap, cut: Cut, end: int) -> int:
    """The row up to which a slab's own rows go: half of those that it shares with the next slab are its own."""
    if cut.stop >= end:
        return operator.slab(cut.first, cut.end).of_its_rows()[0].stop
    below, _ = operator.slab(cut.stop - 1, cut.stop).of_its_rows()
    above, _ = operator.slab(cut.stop, cut.stop + 1).of_its_rows()
    return (below.stop + above.start) // 2
