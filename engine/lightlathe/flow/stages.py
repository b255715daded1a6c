"""The stages of a design one after the other: coarser voxels, the plain case, the scenarios of a robust job.

Each starts from the light of the one before, is logged, obeys the job's stop rule and can be interrupted and resumed.
"""

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.families import Stop
from lightlathe.flow.distinct import distinct
from lightlathe.flow.formulation import coarser_problem, start_of
from lightlathe.flow.one_stage import Log, all_at_once, solved
from lightlathe.flow.prepare import Setup
from lightlathe.quantities import Light
from lightlathe.solve import Problem, StopRule, logged_every
from lightlathe.solve.kept import on_device
from lightlathe.solve.slab_log import whole_log
from lightlathe.support.watching import doing, step

COARSER = "coarser_"
Checkpoint = Callable[[dict[str, Any], Log], None]


@dataclass(frozen=True)
class Stage:
    """One run of the loop, of as many iterations as it takes where none are stated.

    `problem` is made when its turn comes: volumes are large.
    """

    name: str
    problem: Callable[[], Problem]
    iterations: int | None


@dataclass(frozen=True)
class Found:
    """The result of the stages.

    patterns         (angle, column, row) of the last stage, in the units of the plain problem; made row by row where
                     it went in slabs
    plain            of the plain case, the initial guess of a robust job; None for other jobs
    stopped_because  of the last stage, in words
    log              of the last stage: one list per figure; its seconds count from the start of the first
    log_before       the logs of the stages before, by name
    """

    patterns: Light
    plain: Light | None
    stopped_because: str
    log: Log
    log_before: dict[str, Log]

    @property
    def iterations(self) -> int:
        """Of the last stage."""
        return int(self.log["iteration"][-1]) + 1

    @property
    def coarse_s(self) -> float:
        """Seconds that went into coarser voxels."""
        ends = [log["seconds"][-1] for name, log in self.log_before.items() if name.startswith(COARSER)]
        return ends[-1] if ends else 0.0


def stages_of(setup: Setup, plain: Problem, robust: Problem | None) -> list[Stage]:
    """The stages of a job in their order; the last is the design itself."""
    design = setup.job.design
    iterations = None if design.iterations == "auto" else design.iterations
    stages = [
        Stage(f"{COARSER}{number}", lambda by=rung.coarser: coarser_problem(setup, by), rung.iterations)
        for number, rung in enumerate(design.ladder, 1)
    ]
    if robust is None:
        return [*stages, Stage("design", lambda: plain, iterations)]
    return [
        *stages,
        Stage("plain", lambda: plain, iterations),
        Stage("robust", lambda: robust, iterations),
    ]


def run_stages(
    setup: Setup,
    plain: Problem,
    robust: Problem | None,
    *,
    on_iteration: Callable[[dict[str, float]], None] | None = None,
    checkpoint: Checkpoint | None = None,
    resume: tuple[dict[str, Any], Log] | None = None,
) -> Found:
    """Run every stage that is not done yet; arguments as those of `pipeline.design`.

    on_iteration   called in the last stage alone
    checkpoint     its state names the stage and holds the logs of those before; of a robust stage, the plain light too
    Of the seconds of a stop rule the stages before the last get half, so that something is left for it.
    """
    stages = stages_of(setup, plain, robust)
    if setup.slabs.design is not None and setup.job.design.ladder:
        raise all_at_once(setup)
    state, past = resume or ({}, {})
    names = [stage.name for stage in stages]
    if state and state.get("stage") not in names:
        raise SolveError(f"the state is of a stage '{state.get('stage')}'; expected one of {', '.join(names)}.")
    first = names.index(state["stage"]) if state else 0
    log_before: dict[str, Log] = {
        stage: {name: values.tolist() for name, values in log.items()} for stage, log in state.get("before", {}).items()
    }
    start = state["start"].to(setup.where) if "start" in state else None
    gain_before = plain.operator.gain
    stop = setup.job.design.stop
    for number in range(first, len(stages)):
        stage, last = stages[number], number + 1 == len(stages)
        problem = stage.problem()
        own_gain = problem.operator.gain  # scenarios are in the units of the plain case
        goes_on = state.get("run") if number == first else None
        if goes_on is not None:
            goes_on = on_device(setup.where, goes_on)
            start = goes_on["best"] if start is None else start  # of slabs, what they began with comes below
        elif start is None:
            start = start_of(setup, problem)
        else:
            start = start * (gain_before / own_gain)
        slices = distinct(problem, setup.job.design.solver)
        rows: Log = {name: list(values) for name, values in past.items()} if goes_on else {}
        ready: dict[str, Any] = {"stage": stage.name, "before": _tensors(log_before)}
        if stage.name == "robust":
            ready["start"] = start  # what it is compared with at the end
        if goes_on is not None and setup.slabs.design is not None:  # slabs that come begin as they would have
            begins = state["begins"] if "begins" in state else start_of(setup, problem)
        else:
            begins = start if goes_on is not None or callable(start) else slices.taken(start)
        if setup.slabs.design is not None and isinstance(begins, Tensor):
            ready["begins"] = begins

        def each(row: dict[str, float], rows: Log = rows, last: bool = last, stage: Stage = stage) -> None:
            for name, value in row.items():
                rows.setdefault(name, []).append(value)
            step(int(row["iteration"]) + 1, stage.iterations, row)
            if last and on_iteration is not None:
                on_iteration(row)

        def abandoned(slab: int, first: int, rows: Log = rows) -> None:
            kept = [n for n, at in enumerate(rows["iteration"]) if rows["slab"][n] != slab or at < first]
            rows.update({name: [values[n] for n in kept] for name, values in rows.items()})

        def keep(run: dict[str, Any], rows: Log = rows, ready: dict[str, Any] = ready) -> None:
            if checkpoint is not None:
                checkpoint({**ready, "run": run, "iteration": run["iteration"]}, rows)

        spent_s = log_before[names[number - 1]]["seconds"][-1] if number else 0.0
        with doing(stage.name.replace("_", " "), stage.iterations):
            outcome = solved(
                setup,
                slices.problem,
                begins,
                stage.iterations,
                rows,
                log_every=logged_every(setup.device),
                on_iteration=each,
                on_abandoned=abandoned,
                stop=stop if last else _half(stop),
                checkpoint=keep,
                state=goes_on,
                spent_s=spent_s,
            )
        found = slices.spread(outcome.patterns)
        if last:
            return Found(found, ready.get("start"), outcome.stopped_because, whole_log(rows), log_before)
        found = found if isinstance(found, Tensor) else found.to(setup.where)
        log_before[stage.name], start, gain_before = whole_log(rows), found, own_gain
        del outcome  # and with it what the solver keeps
    raise AssertionError("a design has one stage or more")


def _half(stop: Stop | None) -> Stop | None:
    """The rule for a stage before the last."""
    if isinstance(stop, StopRule) and stop.seconds is not None:
        return dataclasses.replace(stop, seconds=stop.seconds / 2)
    return stop


def _tensors(logs: dict[str, Log]) -> dict[str, dict[str, Tensor]]:
    """Logs as a state holds them."""
    return {
        stage: {name: torch.tensor(values, dtype=torch.float64) for name, values in log.items()}
        for stage, log in logs.items()
    }
