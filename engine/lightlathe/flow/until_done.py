"""A design that goes on until it is done: `iterations = "auto"`.

A staged loss goes through its stages in RAMP iterations; from then on the design goes on in rounds of ROUND, until a
round wins next to nothing. Where every slice is designed on its own, the narrowest slices are bounded after the ramp:
no design of the whole has a wider window than their bound, so slices that have one are done and cost nothing more.
What is decided depends on the state alone, so a run that is resumed decides alike.
"""

import dataclasses
import time
from collections.abc import Callable
from typing import Any

import torch
from torch import Tensor

from lightlathe.families import Stop
from lightlathe.flow.prepare import STANDING
from lightlathe.solve import ALL_DONE, Auto, Outcome, Problem, Solver, estimate, is_by_slice, narrowed, solve, suited
from lightlathe.solve.kept import of_slices, on_one_threshold
from lightlathe.solve.slabs import begun, passed
from lightlathe.support.ranks import ranks

RAMP, ROUND, MOST = 300, 100, 3000  # iterations
TYPICAL = 400  # of parts in benchmarks/JOBS.md
PLAIN = 60  # iterations of a loss without stages, where RAMP stands for others
GAP = 0.02  # of window: closer to its bound a design is done
WON = 0.002  # of window: a round that wins no more is the last
FALLEN = 0.01  # of the loss of a graded part: likewise
SEEN = ("iteration", "best_wrong", "best_window", "loss")
BOUNDED = 8  # slices whose bound is looked for: the narrowest
BOUND_STEPS = 100
Best = Callable[[dict[str, Any], Tensor, Problem], Tensor]
TOGETHER = 16  # slices are left out by this number, so that kernels are compiled for few shapes
WORTH = 0.9  # share of the slices: with more still to do, none is left out


def expected(iterations: int | str) -> int:
    """How many iterations a design is likely to take: those that the job asks for, or TYPICAL."""
    return TYPICAL if isinstance(iterations, str) else iterations


def solve_until_done(
    problem: Problem,
    solver: Solver | Auto,
    start: Any,
    *,
    stop: Stop | None,
    state: dict[str, Any] | None,
    past: dict[str, list[float]],
    on_iteration: Callable[[dict[str, float]], None],
    vial: str = STANDING,
    slab: int | None = None,
    on_abandoned: Callable[[int, int], None] | None = None,
    **also: Any,
) -> Outcome:
    """As solve.solve, in as many iterations as it takes, MOST at most.

    past   the log of the run that `state` is of
    vial   that the problem assumes, in words
    slab   slices that are designed at a time, where each has patterns of its own; None: all of them
    on_abandoned   as in solve/slabs.py
    """
    ramp = RAMP if hasattr(problem.loss, "stage") else PLAIN
    if not is_by_slice(solver, problem):
        rule = _Either(stop, NothingWon(ramp, past, by_loss=problem.target.dose is not None))
        return solve(problem, solver, start, iterations=MOST, ramp=ramp, stop=rule, state=state,
                     on_iteration=on_iteration, **also)  # fmt: skip
    if slab is not None:
        return _in_slabs(problem, solver, start, slab, ramp=ramp, stop=stop, state=state, vial=vial,
                         on_iteration=on_iteration, on_abandoned=on_abandoned, **also)  # fmt: skip
    done = 0 if state is None else int(state["iteration"])
    end = ramp if done < ramp else min(ramp + ROUND * ((done - ramp) // ROUND + 1), MOST)
    if state is not None and done >= ramp and (done - ramp) % ROUND == 0:  # it was stopped between two rounds
        end = done
    while True:
        outcome = solve(problem, solver, start, iterations=end, ramp=ramp, stop=stop, state=state,
                        on_iteration=on_iteration, **also)  # fmt: skip
        if outcome.stopped_because != ALL_DONE:
            return outcome
        began = time.perf_counter()
        reason, state = next_round(problem, suited(solver, problem), outcome.state, vial)
        state = {**state, "seconds": state["seconds"] + time.perf_counter() - began}
        if reason is not None:
            return dataclasses.replace(outcome, stopped_because=reason)
        end = min(end + ROUND, MOST)


def _in_slabs(
    problem: Problem,
    solver: Solver | Auto,
    start: Any,
    most: int,
    *,
    ramp: int,
    state: dict[str, Any] | None,
    vial: str,
    spent_s: float = 0.0,
    **also: Any,
) -> Outcome:
    """The same slab after slab: all of them through the ramp, then those slices that can still widen the window."""
    run, log = begun(problem, most, spent_s) if state is None else state, {}
    end, open_ = int(run.get("end", ramp)), None
    while True:
        found = passed(problem, solver, start, {**run, "end": end}, iterations=end, ramp=ramp, **also)
        for name, values in found.log.items():
            log.setdefault(name, []).extend(values)
        run, reason = found.run, None if found.stopped_because == ALL_DONE else found.stopped_because
        if reason is None:
            reason, run, open_ = ranks().done_by(0, lambda run=run: _few(decided(problem, run, vial, _of_slab_run)))
            run = {**found.run, **run}
        if reason is not None:
            best = on_one_threshold(problem, run["best"], run["most"])
            return Outcome(best, run["best"], log, run, reason)
        end = min(end + ROUND, MOST)
        run = {**run, "lanes": open_, "done": 0}


def _of_slab_run(run: dict[str, Any], slices: Tensor, part: Problem) -> Tensor:
    """(angle, column, slice) the best patterns of some slices, of a run in slabs."""
    return of_slices(run["best"], slices, part.operator.device, part.operator.dtype)


def _of_run(run: dict[str, Any], slices: Tensor, part: Problem) -> Tensor:
    """The same of a run of all slices."""
    return run["best"][:, :, slices].to(part.operator.device).contiguous()


def _few(found: tuple[str | None, dict[str, Any], Tensor]) -> tuple[str | None, dict[str, Any], Tensor]:
    """What was decided, without the patterns, which all processes have."""
    reason, run, open_ = found
    return reason, {name: run[name] for name in ("upper", "narrowest") if name in run}, open_


def next_round(
    problem: Problem, solver: Solver | Auto, run: dict[str, Any], vial: str = STANDING
) -> tuple[str | None, dict[str, Any]]:
    """(why the design is done, or None; the run to go on with, of those slices that can still widen the window)."""
    reason, run, wanted = decided(problem, run, vial)
    if reason is not None:
        return reason, run
    have = run.get("lanes")
    if len(wanted) <= WORTH * (len(run["quality"]) if have is None else len(have)):
        run = narrowed(run, solver, wanted)
    return None, run


def decided(
    problem: Problem, run: dict[str, Any], vial: str, best: Best = _of_run
) -> tuple[str | None, dict[str, Any], Tensor]:
    """(why the design is done, or None; the run with what was found; (slice,) those that can still widen the window).

    run   its quality of each slice and their best patterns, on any device
    """
    quality, both, none = run["quality"], _with_window(problem).to(run["quality"].device), torch.arange(0)
    if not bool(both.any()):
        return "no slice has both part and surroundings, so there is no window to widen", run, none
    narrowest = float(quality[both].amin())
    if "upper" not in run:
        run = {
            **run,
            "upper": _upper(problem, run, both, best),
            "narrowest": torch.tensor(-torch.inf, dtype=torch.float64),
        }
    upper = float(run["upper"])
    if upper <= 0:
        even = "even " if vial == STANDING else ""
        return f"an estimated bound (not proven) leaves no window, {even}for {vial}", run, none
    if upper - narrowest <= GAP:
        return f"within {GAP:g} of an estimated bound (not proven), for {vial}", run, none
    if not narrowest - float(run["narrowest"]) > WON:  # NaN too, where a slice stays dark
        return _nothing_won(), run, none
    if run["iteration"] >= MOST:
        return f"{MOST} iterations", run, none
    count = -(-int((both & (quality < upper)).sum()) // TOGETHER) * TOGETHER
    order = torch.where(both, quality, torch.inf).argsort(stable=True)
    return None, {**run, "narrowest": quality[both].amin().cpu()}, order[:count].sort().values


def _with_window(problem: Problem) -> Tensor:
    """(slice,) bool: slices that hold both part and surroundings."""
    return problem.target.with_part & problem.target.with_surroundings


def _upper(problem: Problem, run: dict[str, Any], both: Tensor, best: Best) -> Tensor:
    """0-d: what the window of the whole cannot exceed, from its narrowest slices; not certified.

    1 where a response stands between dose and window: the bound is of doses.
    """
    if problem.response is not None:
        return torch.ones((), dtype=torch.float64)
    order = torch.where(both, run["quality"], torch.inf).argsort(stable=True)
    few = order[: min(BOUNDED, int(both.sum()))].sort().values
    part = problem.slab(few)
    dose = part.operator(best(run, few, part))
    return estimate(part.operator, part.target, dose, iterations=BOUND_STEPS).amin().double().cpu()


def _nothing_won() -> str:
    return f"no more than {WON:g} of window won in the last {ROUND} iterations"


class NothingWon:
    """A stop rule for designs of all slices at once: a round is the last that widens the window by no more than WON and
    leaves as many voxels wrong as there were; of a graded part one in which the least loss falls by less than FALLEN.
    """

    def __init__(self, first: int, past: dict[str, list[float]], *, by_loss: bool = False) -> None:
        """first   iterations before which nothing is said;   past   the log so far;   by_loss   of a graded part"""
        self.first, self.by_loss = first, by_loss
        self.seen = list(zip(*(past.get(name, ()) for name in SEEN), strict=True))

    def reason(self, row: dict[str, float]) -> str | None:
        self.seen.append(tuple(row[name] for name in SEEN))
        before = [seen for seen in self.seen if seen[0] <= row["iteration"] - ROUND]
        if row["iteration"] + 1 < self.first or not before:
            return None
        if self.by_loss:
            least, was = (min(loss for *_, loss in seen) for seen in (self.seen, before))
            same = not least < was - FALLEN * abs(was)
            return f"the loss fell by no more than {FALLEN:.0%} in the last {ROUND} iterations" if same else None
        _, wrong, window, _ = before[-1]
        same = row["best_wrong"] == wrong and not row["best_window"] > window + WON
        return _nothing_won() if same else None


class _Either:
    """Two stop rules as one."""

    def __init__(self, *rules: Stop | None) -> None:
        self.rules = [rule for rule in rules if rule is not None]

    def reason(self, row: dict[str, float]) -> str | None:
        return next((said for rule in self.rules if (said := rule.reason(row)) is not None), None)
