"""The one loop of every design: ask the solver for patterns, evaluate them, tell it, log, stop."""

import logging
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import torch
from torch import Tensor

from lightlathe.errors import JobError, SolveError
from lightlathe.families import Stop
from lightlathe.gpu.forms import keep_if
from lightlathe.solve.memory import memory_bytes
from lightlathe.solve.metrics import NAMES, Figures
from lightlathe.solve.problem import Evaluated, Problem

log = logging.getLogger(__name__)
State = dict[str, Any]


def logged_every(device: torch.device) -> int:
    """Iterations from one logged to the next, unless asked otherwise: a card waits for the host at each logged one."""
    return 5 if device.type == "cuda" else 1


class Start(Protocol):
    """Where a design begins."""

    def __call__(self, problem: Problem, /) -> Tensor:
        """Patterns (angle, column, row) of 0 or more, in the operator's dtype; those above the limit are clipped."""
        ...


class Solver(Protocol):
    """A rule that says which patterns to try next.

    State is a flat dict of tensors; the loop reads its key "trial", the patterns to evaluate next. `advance` receives
    their evaluation. `restage` is called when the loss has changed, so that earlier values mean nothing now.
    A solver may also have `loss_for(state, loss)`: what to evaluate instead of the loss itself.
    """

    def begin(self, patterns: Tensor, problem: Problem) -> dict[str, Tensor]: ...
    def advance(self, state: dict[str, Tensor], at: Evaluated, problem: Problem) -> dict[str, Tensor]: ...
    def restage(self, state: dict[str, Tensor]) -> dict[str, Tensor]: ...


@dataclass(frozen=True)
class Outcome:
    """What a design gives.

    patterns         (angle, column, row) the best patterns logged: fewest wrong voxels, then the widest window
    last             the patterns of the last iteration; on a card, where the solver refused them, those it went back to
    log              one list per figure, one value per logged iteration
    state            what `solve` needs to go on as if it had never stopped
    stopped_because  plain words
    """

    patterns: Tensor
    last: Tensor
    log: dict[str, list[float]]
    state: State
    stopped_because: str


@dataclass(frozen=True)
class StopRule:
    """When to stop before the iterations are spent; fields are job keys, None means never.

    window        relative process window reached with no voxel wrong
    wrong_voxels  at most this many voxels wrong
    seconds       wall time since the design began; stages before the last (flow/stages.py) may use half of it
    stall         iterations without a better design
    """

    window: float | None = None
    wrong_voxels: int | None = None
    seconds: float | None = None
    stall: int | None = None

    def __post_init__(self) -> None:
        for name, least in (("wrong_voxels", 0), ("seconds", 1e-9), ("stall", 1)):
            value = getattr(self, name)
            if value is not None and not value >= least:
                raise JobError(f"{name} is {value}; expected {'above 0' if least == 1e-9 else f'{least} or more'}.")

    def reason(self, row: dict[str, float]) -> str | None:
        if self.window is not None and row["best_wrong"] == 0 and row["best_window"] >= self.window:
            return f"process window of {row['best_window']:.3f} reached, {self.window} asked for"
        if self.wrong_voxels is not None and row["best_wrong"] <= self.wrong_voxels:
            return f"{row['best_wrong']:.0f} wrong voxels, {self.wrong_voxels} allowed"
        if self.seconds is not None and row["seconds"] >= self.seconds:
            return f"{self.seconds} s spent"
        if self.stall is not None and row["iteration"] - row["best_iteration"] >= self.stall:
            return f"no better design in {self.stall} iterations"
        return None


def solve(
    problem: Problem,
    solver: Solver,
    start: Tensor | Callable[[Problem], Tensor],
    *,
    iterations: int,
    log_every: int = 1,
    on_iteration: Callable[[dict[str, float]], str | None] | None = None,
    checkpoint: Callable[[State], None] | None = None,
    stop: Stop | None = None,
    state: State | None = None,
    spent_s: float = 0.0,
) -> Outcome:
    """Improve patterns for `iterations` iterations in all, counted from the very start of the design.

    One iteration is one product with the operator and one with its transpose, trials of a line search included.

    start         patterns, or a start from STARTS; not looked at when `state` is given
    log_every     iterations from one logged to the next; the first and last are always logged. Only those are judged:
                  the best patterns are of one of them, and stop rules look at them alone
    on_iteration  called with the figures of each logged iteration; a string it returns stops the run for that reason
    checkpoint    called with the state after each logged iteration; it may write it down, or not
    state         of an earlier Outcome: the run goes on bit for bit as if it had not stopped (on the CPU). It is
                  consumed: buffers are overwritten in place. Levels above the problem's limit are clipped
    spent_s       seconds before this run that count as its own: stop rules and the log go on from them
    Waits for the device at the start and at logged iterations only.
    Raises        SolveError when the loss is not a number; its `outcome` holds the best patterns so far.
    """
    by_slice = getattr(solver, "by_slice", False) and problem.slices_independent
    if by_slice and not hasattr(problem.loss, "each_slice"):
        raise JobError(
            f"solver {type(solver).__name__} designs each slice on its own and takes a loss with a value for each; "
            f'loss is {problem.loss!r}.\n  loss = "soft_window" has one.'
        )
    if state is None:
        run = {**_begin(problem, solver, start, by_slice), "seconds": spent_s}
    else:
        run = _resumed(state, problem.limit)
    run["best"] = run["best"].clone()  # memory of this run alone: better patterns are written over it
    rows: dict[str, list[float]] = {}
    began = time.perf_counter() - run["seconds"]
    why = "all iterations done"
    while run["iteration"] < iterations:
        number = run["iteration"]
        loss = problem.loss_at(number / iterations)
        if number > 0 and loss != problem.loss_at((number - 1) / iterations):
            run["solver"] = solver.restage(run["solver"])
        own, at = getattr(solver, "loss_for", None), None  # the dose of the last iteration is let go
        loss = loss if own is None else own(run["solver"], loss)
        at = problem.evaluate(run["solver"]["trial"], getattr(loss, "each_slice")() if by_slice else loss)  # noqa: B009
        logged = number % log_every == 0 or number + 1 == iterations
        remember = _remember_slices if by_slice else _remember
        figures = remember(run, at, problem, number) if logged else None
        _watch(run, at, number)
        read = None if figures is None else _on_the_way(run, at, figures)
        run["solver"] = solver.advance(run["solver"], at, problem)
        run["iteration"] = number + 1
        if read is None:
            continue
        row = {"iteration": number, **read(), "memory_bytes": memory_bytes(at.dose.device)}
        row["seconds"] = time.perf_counter() - began
        run["seconds"] = row["seconds"]
        for name in ("iteration", "loss", *NAMES, "seconds", "memory_bytes"):
            rows.setdefault(name, []).append(row[name])
        if row["first_nan"] >= 0:
            raise _not_a_number(run, rows, int(row["first_nan"]))
        said = on_iteration(row) if on_iteration is not None else None
        if checkpoint is not None:
            checkpoint(dict(run))
        reason = said if isinstance(said, str) else (stop.reason(row) if stop is not None else None)
        if reason is not None:
            why = reason
            break
    best = on_one_threshold(problem, run["best"]) if by_slice else run["best"]
    return Outcome(best, run["last"], rows, run, why)


def on_one_threshold(problem: Problem, patterns: Tensor) -> Tensor:
    """Patterns of independent slices, each scaled so that its dose window lies about the same threshold.

    That is the gel dose (1), or as much of it as the limit of the light allows in the slice that is brightest.
    """
    figures = Figures.of(problem.seen(problem.operator(patterns)), problem.target)
    scale = torch.where(figures.windows.isfinite(), 2 / (figures.most + figures.least), 1.0)
    brightest = (patterns.amax((0, 1)) * scale).amax()
    return patterns * (scale * torch.clamp(problem.limit / brightest, max=1.0)).to(patterns.dtype)


def _begin(
    problem: Problem, solver: Solver, start: Tensor | Callable[[Problem], Tensor], by_slice: bool = False
) -> State:
    patterns = start(problem) if callable(start) else start
    patterns = patterns.detach().clamp(0, problem.limit)
    small = {"device": patterns.device, "dtype": torch.float64}
    each = {"quality": torch.full((patterns.shape[2],), -math.inf, **small)} if by_slice else {}
    return {
        **each,
        "iteration": 0,
        "seconds": 0.0,
        "solver": solver.begin(patterns, problem),
        "best": patterns,
        "last": patterns,
        "best_rank": torch.full((), math.inf, **small),
        "best_wrong": torch.full((), math.inf, **small),
        "best_window": torch.full((), -math.inf, **small),
        "best_iteration": torch.full((), -1.0, **small),
        "first_nan": torch.full((), -1.0, **small),
    }


def _resumed(state: State, limit: float) -> State:
    clipped = {k: state["solver"][k].clamp(0, limit) for k in ("trial", "patterns") if k in state["solver"]}
    return {**state, "solver": {**state["solver"], **clipped}}


def _remember(run: State, at: Evaluated, problem: Problem, number: int) -> Figures:
    """Keep the best patterns on the device: those of the least rank, among equals the widest window."""
    figures = Figures.of(problem.seen(at.dose), problem.target)
    wrong, window = figures.wrong.to(torch.float64), figures.window_relative.to(torch.float64)
    # a graded part is judged by its doses, and their error is the loss; others by what they print
    rank = wrong if problem.target.dose is None else at.value.to(torch.float64)
    better = (rank < run["best_rank"]) | ((rank == run["best_rank"]) & (window > run["best_window"]))
    better = better & at.value.isfinite()
    run["best"] = keep_if(better, at.patterns, run["best"])
    run["best_rank"] = torch.where(better, rank, run["best_rank"])
    run["best_wrong"] = torch.where(better, wrong, run["best_wrong"])
    run["best_window"] = torch.where(better, window.nan_to_num(-math.inf), run["best_window"])
    run["best_iteration"] = torch.where(better, float(number), run["best_iteration"])
    return figures


def _remember_slices(run: State, at: Evaluated, problem: Problem, number: int) -> Figures:
    """Keep the best patterns of each slice: the widest window, without one the least loss; scale does not count."""
    figures = Figures.of(problem.seen(at.dose), problem.target)
    value = at.value.to(torch.float64)
    quality = torch.where(figures.windows == math.inf, -value, figures.windows.to(torch.float64))
    better = (quality > run["quality"]) & value.isfinite()
    run["quality"] = torch.where(better, quality, run["quality"])
    run["best"] = torch.where(better, at.patterns, run["best"])
    narrowest = torch.where(figures.windows == math.inf, math.inf, run["quality"]).amin()
    wrong = torch.where(run["quality"] > 0, 0, figures.part - figures.correct + figures.over)
    run["best_wrong"] = torch.where(figures.windows == math.inf, 0, wrong).sum().to(torch.float64)
    improved = narrowest > run["best_window"]
    run["best_window"] = torch.where(improved, narrowest, run["best_window"])
    run["best_iteration"] = torch.where(improved, float(number), run["best_iteration"])
    return figures


def _watch(run: State, at: Evaluated, number: int) -> None:
    """Keep the patterns, and the number of the first step whose loss was not a number, on the device."""
    run["last"] = at.patterns
    unsound = ~at.value.isfinite().all() & (run["first_nan"] < 0)
    run["first_nan"] = torch.where(unsound, float(number), run["first_nan"])


def _on_the_way(run: State, at: Evaluated, figures: Figures) -> Callable[[], dict[str, float]]:
    """What gives the figures of one iteration as plain numbers; the one place that waits for the device.

    A card sends them as soon as it has them and goes on with what it is told to do before they are read.
    """
    names = ("loss", *NAMES, "wrong", "best_wrong", "best_window", "best_iteration", "first_nan")
    tensors = [
        at.value.mean(),
        *(getattr(figures, name) for name in (*NAMES, "wrong")),
        *(run[name] for name in names[-4:]),
    ]
    values = torch.stack([t.to(torch.float64) for t in tensors])
    arrived = None
    if values.is_cuda:
        values = torch.empty(values.shape, dtype=values.dtype, pin_memory=True).copy_(values, non_blocking=True)
        arrived = torch.cuda.Event()
        arrived.record(torch.cuda.current_stream(at.dose.device))

    def read() -> dict[str, float]:
        if arrived is not None:
            arrived.synchronize()
        return dict(zip(names, values.tolist(), strict=True))

    return read


def _not_a_number(run: State, rows: dict[str, list[float]], step: int) -> SolveError:
    kept = int(run["best_iteration"])
    where = f"The best patterns before it, of step {kept}, are kept." if kept >= 0 else "There is no earlier step."
    error = SolveError(
        f"loss became NaN or infinite at step {step}. {where}\n"
        "  A loss of your own? See that it is finite for every dose of 0 or more. Else try another solver or start."
    )
    error.outcome = Outcome(run["best"], run["last"], rows, run, "loss not a number")  # type: ignore[attr-defined]
    return error
