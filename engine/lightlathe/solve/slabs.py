"""Slices that are problems of their own, designed slab after slab: no more of them are on the device than fit it.

Each slab is a design like any other (solve/design.py), of its own slices. What is known of the whole
lies in main memory.
"""

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.families import Stop
from lightlathe.quantities import rows_first, span
from lightlathe.solve.auto import Auto
from lightlathe.solve.design import ALL_DONE, Solver, solve
from lightlathe.solve.kept import bytes_of, kept_as, of_slices, on_device
from lightlathe.solve.problem import Problem
from lightlathe.solve.stop import StopRule
from lightlathe.support.ranks import ranks

log_ = logging.getLogger(__name__)
Run = dict[str, Any]
LARGEST_STATE = 4e9  # bytes: a solver's memory of a large slab takes minutes to write, a slab minutes to design


@dataclass(frozen=True)
class Passed:
    """What a pass over some slices gives.

    run              of the whole, in main memory: best patterns, quality of each slice; see `begun`
    log              a list per figure, one value per logged iteration of each slab; `slab` counts them from 0
    stopped_because  plain words: the rule that every slab met before its iterations were done, or that time is over
    """

    run: Run
    log: dict[str, list[float]]
    stopped_because: str


def begun(problem: Problem, most: int, seconds: float = 0.0) -> Run:
    """A run of which no slice is designed yet.

    best       (slice, angle, column) patterns, in main memory; in half precision where the limit of the light allows,
               which moves a level by 1 part in 4000 at most: patterns are the largest array of a design
    quality    (slice,) window of each slice's best patterns, or minus its loss where it has none
    lanes      (slice,) int64 slices that the pass goes over;   done   how many of them it is through with
    most       slices at a time: a run that is resumed takes as many as it began with
    slabs, ended, why   how many slabs the pass has done, how many of them a rule ended, and the last rule's words
    iteration  that the slices have reached, or the slab under way;   slab   its state, where one is under way
    """
    angles, columns, slices = problem.operator.pattern_shape
    return {
        "best": torch.zeros(slices, angles, columns, dtype=kept_as(problem)),
        "quality": torch.full((slices,), -torch.inf, dtype=torch.float64),
        "lanes": torch.arange(slices),
        "done": 0,
        "most": most,
        "ended": 0,
        "slabs": 0,
        "why": ALL_DONE,
        "first": 0,
        "iteration": 0,
        "seconds": seconds,
    }


def passed(
    problem: Problem,
    solver: Solver | Auto,
    start: Tensor | Callable[[Problem], Tensor],
    run: Run,
    *,
    iterations: int,
    ramp: int,
    log_every: int = 1,
    on_iteration: Callable[[dict[str, float]], None] | None = None,
    on_abandoned: Callable[[int, int], None] | None = None,
    checkpoint: Callable[[Run], None] | None = None,
    stop: Stop | None = None,
) -> Passed:
    """Take the slices `lanes` of a run on to `iterations` iterations, `most` of them at a time in each process.

    start   patterns of all slices, or what gives them, where the run begins; else each slab goes on from its best
    Other arguments as those of `solve`. The states given to `checkpoint` are runs to call this with again: of one
    process after each logged iteration, unless the slab's own state takes more than LARGEST_STATE, and after
    each slab; of several processes after each round of slabs, by the first of them.
    Where the device runs out of memory, slabs are halved from there on, and the slab under way is begun anew:
    `on_abandoned` gets its number and the iteration at which the pass began; its rows from there on count no more.
    """
    team, lanes, log = ranks(), run["lanes"], {}
    began = time.perf_counter() - run["seconds"]
    while run["done"] < len(lanes):
        most = run["most"]
        groups = [here for here in lanes[run["done"] :].split(most)[: team.size] if len(here)]
        mine = groups[team.rank] if team.rank < len(groups) else None
        first_slab, found, own = run["done"] // most, None, []

        def told(row: dict[str, float], number: int = first_slab + team.rank, own: list = own) -> None:
            row["slab"] = float(number)
            own.append(row)
            if on_iteration is not None:
                on_iteration(row)

        def keep(state: Run, run: Run = run) -> None:
            if checkpoint is not None and team.size == 1 and bytes_of(state) <= LARGEST_STATE:
                checkpoint({**run, "slab": state, "iteration": state["iteration"], "seconds": state["seconds"]})

        if mine is not None:
            rounds_left = -(-(len(lanes) - run["done"]) // (most * team.size))
            part, spent_s = problem.slab(mine), time.perf_counter() - began
            try:
                found = solve(
                    part,
                    solver,
                    _start(start, run, mine, part),
                    iterations=iterations,
                    ramp=ramp,
                    first=run["first"],
                    log_every=log_every,
                    on_iteration=told,
                    checkpoint=keep,
                    stop=share_of_time(stop, spent_s, rounds_left),
                    # the state is of the first slab to do
                    state=on_device(part.operator.device, run.get("slab") if team.first else None),
                    spent_s=spent_s,
                )
            except torch.OutOfMemoryError:
                if team.size > 1 or most == 1:
                    raise
                run = {**run, "most": -(-most // 2), "slab": None}
                torch.cuda.empty_cache()
                log_.error("out of memory with %d slices at a time; going on with %d", most, run["most"])
                if on_abandoned is not None:
                    on_abandoned(first_slab, run["first"])
                continue
            except SolveError as problem_:
                raise _in_slab(problem_, first_slab + team.rank, mine) from None
        for rank, here in enumerate(groups):
            outcome = found if rank == team.rank else None
            rows, reason = team.told_by(rank, outcome and (own, outcome.stopped_because))
            for row in rows:
                for name, value in row.items():
                    log.setdefault(name, []).append(value)
                if rank != team.rank and on_iteration is not None:
                    on_iteration(row)
            if reason != ALL_DONE:
                run = {**run, "ended": run["ended"] + 1, "why": reason}
            _take(run, here, None if outcome is None else outcome.state, rank)
        done = run["done"] + sum(len(here) for here in groups)
        run = {**run, "done": done, "slabs": run["slabs"] + len(groups), "slab": None}
        run["seconds"] = time.perf_counter() - began
        if checkpoint is not None and team.first:
            checkpoint(run)
    why = _ended(run, stop)
    run = {**run, "iteration": iterations, "first": iterations, "slabs": 0, "ended": 0, "why": ALL_DONE}
    return Passed(run, log, why)


def _ended(run: Run, stop: Stop | None) -> str:
    """Why a pass over all slabs ended: a rule counts where every slab met it, one on time where it is over."""
    if isinstance(stop, StopRule) and stop.seconds is not None and run["seconds"] >= stop.seconds:
        return f"{stop.seconds} s spent"
    if run["ended"] < run["slabs"]:
        return ALL_DONE
    if isinstance(stop, StopRule) and stop.window is not None and "process window" in run["why"]:
        return f"process window of {stop.window} reached in every slab"
    return run["why"]


def _take(run: Run, here: Tensor, state: Run | None, rank: int) -> None:
    """Keep what is better of a slab that process `rank` designed, in `best` and `quality`, of all processes."""
    team, best, quality = ranks(), run["best"], run["quality"]
    found = torch.empty(len(here), dtype=quality.dtype) if state is None else state["quality"].cpu()
    if state is None:
        patterns = best.new_empty(len(here), *best.shape[1:])
    else:
        patterns = rows_first(state["best"]).to(best.dtype).contiguous().cpu()
    found, patterns = team.shared_by(rank, found), team.shared_by(rank, patterns)
    better = (found > quality[here]).nonzero().flatten()
    best[span(here[better])] = patterns[span(better)]
    quality[here[better]] = found[better]


def _in_slab(problem: SolveError, number: int, here: Tensor) -> SolveError:
    """The same error, which says in which slab it came."""
    first, *rest = str(problem).split("\n")
    said = f"{first} (In slab {number}, slices {int(here[0])} to {int(here[-1])} of those with part.)"
    return SolveError("\n".join([said, *rest]))


def _start(
    start: Tensor | Callable[[Problem], Tensor], run: Run, here: Tensor, part: Problem
) -> Tensor | Callable[[Problem], Tensor]:
    device, dtype = part.operator.device, part.operator.dtype
    if run["first"] > 0:
        return of_slices(run["best"], here, device, dtype)
    return start[:, :, here].to(device).contiguous() if isinstance(start, Tensor) else start


def share_of_time(stop: Stop | None, spent_s: float, slabs: int) -> Stop | None:
    """The rule for one slab, of so many that are left: its share of the time. How many voxels may be wrong is a matter
    of the whole."""
    if not isinstance(stop, StopRule):
        return stop
    seconds = None if stop.seconds is None else spent_s + max(stop.seconds - spent_s, 0.0) / slabs
    if seconds is not None:
        seconds = max(seconds, 1e-9)
    return replace(stop, seconds=seconds, wrong_voxels=None)
