"""The one loop of every design: ask the solver for patterns, evaluate them, tell it, log, stop."""

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import torch
from torch import Tensor

from lightlathe.errors import JobError, SolveError
from lightlathe.families import Stop
from lightlathe.quantities import Light
from lightlathe.solve.auto import Auto
from lightlathe.solve.best import LANES, nothing_yet, on_one_threshold, on_the_way, remember, remember_slices
from lightlathe.solve.memory import memory_bytes
from lightlathe.solve.metrics import NAMES
from lightlathe.solve.problem import Evaluated, Problem

log = logging.getLogger(__name__)
State = dict[str, Any]
ALL_DONE = "all iterations done"


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

    patterns         (angle, column, row) the best patterns logged: fewest wrong voxels, then the widest window; made
                     row by row where slices were designed in slabs
    last             the patterns of the last iteration, of the slices that are not done yet; on a card, where the
                     solver refused them, those it went back to
    log              one list per figure, one value per logged iteration
    state            what `solve` needs to go on as if it had never stopped
    stopped_because  plain words
    """

    patterns: Light
    last: Tensor
    log: dict[str, list[float]]
    state: State
    stopped_because: str


def solve(
    problem: Problem,
    solver: Solver | Auto,
    start: Tensor | Callable[[Problem], Tensor],
    *,
    iterations: int,
    ramp: int | None = None,
    log_every: int = 1,
    on_iteration: Callable[[dict[str, float]], str | None] | None = None,
    checkpoint: Callable[[State], None] | None = None,
    stop: Stop | None = None,
    state: State | None = None,
    spent_s: float = 0.0,
    first: int = 0,
) -> Outcome:
    """Improve patterns for `iterations` iterations in all, counted from the very start of the design.

    One iteration is one product with the operator and one with its transpose, trials of a line search included.

    start         patterns, or a start from STARTS; not looked at when `state` is given
    ramp          iterations in which a staged loss goes through its stages; left out: all
    log_every     iterations from one logged to the next; the first and last are always logged. Only those are judged:
                  the best patterns are of one of them, and stop rules look at them alone
    on_iteration  called with the figures of each logged iteration; a string it returns stops the run for that reason
    checkpoint    called with the state after each logged iteration; it may write it down, or not
    state         of an earlier Outcome: the run goes on bit for bit as if it had not stopped (on the CPU). It is
                  consumed: buffers are overwritten in place. Levels above the problem's limit are clipped
    spent_s       seconds before this run that count as its own: stop rules and the log go on from them
    first         the number of the first iteration, where those before were another run's
    Waits for the device at the start and at logged iterations only.
    Raises        SolveError when the loss is not a number; its `outcome` holds the best patterns so far.
    """
    solver = suited(solver, problem)
    by_slice = is_by_slice(solver, problem)
    if by_slice and not hasattr(problem.loss, "each_slice"):
        raise JobError(
            f"solver {type(solver).__name__} designs each slice on its own and takes a loss with a value for each; "
            f'loss is {problem.loss!r}.\n  loss = "soft_window" has one.'
        )
    ramp = ramp or iterations
    problem = problem.staged_over(ramp)
    if state is None:
        run = {**_begin(problem, solver, start, by_slice), "seconds": spent_s, "iteration": first}
    else:
        run = _resumed(state, problem.limit)
    part = problem if run.get(LANES) is None else problem.of_slices(run[LANES])
    run["best"] = run["best"].clone()  # memory of this run alone: better patterns are written over it
    rows: dict[str, list[float]] = {}
    began = time.perf_counter() - run["seconds"]
    why = ALL_DONE
    while run["iteration"] < iterations:
        number = run["iteration"]
        loss = problem.loss_at(min(1.0, number / ramp))
        if number > first and loss != problem.loss_at(min(1.0, (number - 1) / ramp)):
            run["solver"] = solver.restage(run["solver"])
        own, at = getattr(solver, "loss_for", None), None  # the dose of the last iteration is let go
        loss = loss if own is None else own(run["solver"], loss)
        at = part.evaluate(run["solver"]["trial"], getattr(loss, "each_slice")() if by_slice else loss)  # noqa: B009
        logged = number % log_every == 0 or number + 1 == iterations
        keep = remember_slices if by_slice else remember
        figures = keep(run, at, part, number) if logged else None
        _watch(run, at, number)
        read = None if figures is None else on_the_way(run, at, figures)
        run["solver"] = solver.advance(run["solver"], at, part)
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


def suited(solver: Solver | Auto, problem: Problem) -> Solver:
    """The solver itself, or the one that it takes for this problem."""
    return solver.for_problem(problem) if isinstance(solver, Auto) else solver


def is_by_slice(solver: Solver | Auto, problem: Problem) -> bool:
    """Whether this solver designs every slice on its own."""
    return getattr(suited(solver, problem), "by_slice", False) and problem.slices_independent


def _begin(problem: Problem, solver: Solver, start: Tensor | Callable[[Problem], Tensor], by_slice: bool) -> State:
    patterns = start(problem) if callable(start) else start
    patterns = patterns.detach().clamp(0, problem.limit)
    return {
        **nothing_yet(patterns, by_slice),
        "iteration": 0,
        "seconds": 0.0,
        "solver": solver.begin(patterns, problem),
        "last": patterns,
    }


def _resumed(state: State, limit: float) -> State:
    clipped = {k: state["solver"][k].clamp(0, limit) for k in ("trial", "patterns") if k in state["solver"]}
    return {**state, "solver": {**state["solver"], **clipped}}


def _watch(run: State, at: Evaluated, number: int) -> None:
    """Keep the patterns, and the number of the first step whose loss was not a number, on the device."""
    run["last"] = at.patterns
    unsound = ~at.value.isfinite().all() & (run["first_nan"] < 0)
    run["first_nan"] = torch.where(unsound, float(number), run["first_nan"])


def _not_a_number(run: State, rows: dict[str, list[float]], step: int) -> SolveError:
    kept = int(run["best_iteration"])
    where = f"The best patterns before it, of step {kept}, are kept." if kept >= 0 else "There is no earlier step."
    error = SolveError(
        f"loss became NaN or infinite at step {step}. {where}\n"
        "  A loss of your own? See that it is finite for every dose of 0 or more. Else try another solver or start."
    )
    error.outcome = Outcome(run["best"], run["last"], rows, run, "loss not a number")  # type: ignore[attr-defined]
    return error
