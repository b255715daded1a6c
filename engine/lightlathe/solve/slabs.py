"""Slices that are problems of their own, designed slab after slab: no more of them are on the device than fit it.

Each slab is a design like any other (solve/design.py), of its own slices. What is known of the whole
lies in main memory.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import torch
from torch import Tensor

from lightlathe.families import Stop
from lightlathe.solve.auto import Auto
from lightlathe.solve.design import ALL_DONE, Solver, solve
from lightlathe.solve.metrics import Figures
from lightlathe.solve.problem import Problem
from lightlathe.solve.stop import StopRule

Run = dict[str, Any]


@dataclass(frozen=True)
class Passed:
    """What a pass over some slices gives.

    run              of the whole, in main memory: best patterns, quality of each slice; see `begun`
    log              a list per figure, one value per logged iteration of each slab; `slab` counts them from 0
    stopped_because  plain words: the rule that ended a slab before its iterations were done, if one did
    """

    run: Run
    log: dict[str, list[float]]
    stopped_because: str


def begun(problem: Problem, seconds: float = 0.0) -> Run:
    """A run of which no slice is designed yet.

    best       (angle, column, slice) patterns, in main memory
    quality    (slice,) window of each slice's best patterns, or minus its loss where it has none
    lanes      (slice,) int64 slices that the pass goes over;   done   how many of them it is through with
    iteration  that the slices have reached, or the slab under way;   slab   its state, where one is under way
    """
    angles, columns, slices = problem.operator.pattern_shape
    return {
        "best": torch.zeros(angles, columns, slices, dtype=problem.operator.dtype),
        "quality": torch.full((slices,), -torch.inf, dtype=torch.float64),
        "lanes": torch.arange(slices),
        "done": 0,
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
    most: int,
    iterations: int,
    ramp: int,
    log_every: int = 1,
    on_iteration: Callable[[dict[str, float]], None] | None = None,
    checkpoint: Callable[[Run], None] | None = None,
    stop: Stop | None = None,
) -> Passed:
    """Take the slices `lanes` of a run on to `iterations` iterations, `most` of them at a time.

    start   patterns of all slices, or what gives them, where the run begins; else each slab goes on from its best
    Other arguments as those of `solve`. The states given to `checkpoint` are runs to call this with again.
    """
    lanes, log, why = run["lanes"], {}, ALL_DONE
    began = time.perf_counter() - run["seconds"]
    while run["done"] < len(lanes):
        here = lanes[run["done"] : run["done"] + most]
        part, number = problem.of_slices(here), run["done"] // most

        def told(row: dict[str, float], number: int = number) -> None:
            row["slab"] = float(number)
            if on_iteration is not None:
                on_iteration(row)

        def keep(state: Run, run: Run = run) -> None:
            if checkpoint is not None:
                checkpoint({**run, "slab": state, "iteration": state["iteration"], "seconds": state["seconds"]})

        left = -(-(len(lanes) - run["done"]) // most)
        outcome = solve(
            part,
            solver,
            _start(start, run, here, part),
            iterations=iterations,
            ramp=ramp,
            first=run["first"],
            log_every=log_every,
            on_iteration=told,
            checkpoint=keep,
            stop=_share(stop, time.perf_counter() - began, left),
            state=_on(part.operator.device, run.get("slab")),
            spent_s=time.perf_counter() - began,
        )
        for name, values in outcome.log.items():
            log.setdefault(name, []).extend(values)
        if outcome.stopped_because != ALL_DONE:
            why = outcome.stopped_because
        best, quality = run["best"], run["quality"].clone()
        found, sound = outcome.state["quality"].cpu(), outcome.state["best"].cpu()
        better = found > quality[here]
        best[:, :, here] = torch.where(better, sound, best[:, :, here])
        quality[here] = torch.where(better, found, quality[here])
        run = {**run, "quality": quality, "done": run["done"] + len(here), "slab": None}
        run["seconds"] = time.perf_counter() - began
    return Passed({**run, "iteration": iterations, "first": iterations}, log, why)


def on_one_threshold(problem: Problem, patterns: Tensor, most: int) -> Tensor:
    """As solve/best.py has it, of patterns in main memory, `most` slices at a time."""
    count = patterns.shape[2]
    scale, peak = torch.ones(count, dtype=torch.float64), torch.zeros(count, dtype=torch.float64)
    for here in torch.arange(count).split(most):
        part = problem.of_slices(here)
        taken = patterns[:, :, here].to(part.operator.device).contiguous()
        figures = Figures.of(part.seen(part.operator(taken)), part.target)
        wanted = torch.where(figures.windows.isfinite(), 2 / (figures.most + figures.least), 1.0).double()
        scale[here], peak[here] = wanted.cpu(), (taken.amax((0, 1)) * wanted).cpu()
    scale *= min(1.0, problem.limit / float(peak.amax())) if float(peak.amax()) > 0 else 1.0
    return patterns * scale.to(patterns.dtype)


def _start(
    start: Tensor | Callable[[Problem], Tensor], run: Run, here: Tensor, part: Problem
) -> Tensor | Callable[[Problem], Tensor]:
    device = part.operator.device
    if run["first"] > 0:
        return run["best"][:, :, here].to(device).contiguous()
    return start[:, :, here].to(device).contiguous() if isinstance(start, Tensor) else start


def _on(device: torch.device, state: Any) -> Any:
    """A state read from a file, on the device that goes on with it."""
    if isinstance(state, dict):
        return {name: _on(device, value) for name, value in state.items()}
    return state.to(device) if isinstance(state, Tensor) else state


def _share(stop: Stop | None, spent_s: float, slabs: int) -> Stop | None:
    """The rule for one slab, of so many that are left: its share of the time; no voxel wrong where some may be."""
    if not isinstance(stop, StopRule):
        return stop
    seconds = None if stop.seconds is None else spent_s + max(stop.seconds - spent_s, 0.0) / slabs
    if seconds is not None:
        seconds = max(seconds, 1e-9)
    return replace(stop, seconds=seconds, wrong_voxels=None if stop.wrong_voxels is None else 0)
