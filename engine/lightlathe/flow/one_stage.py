"""One stage of a design: all its slices at once, slab by slab, or in slabs that overlap."""

from collections.abc import Callable
from typing import Any

from lightlathe.errors import JobError, SolveError
from lightlathe.flow import overlapped
from lightlathe.flow.prepare import Setup
from lightlathe.flow.slabs import shared_evenly
from lightlathe.flow.until_done import solve_until_done
from lightlathe.solve import Outcome, Problem, Scenarios, is_by_slice, solve
from lightlathe.solve.kept import on_one_threshold
from lightlathe.solve.slabs import begun, passed
from lightlathe.support.ranks import ranks

Log = dict[str, list[float]]


def solved(
    setup: Setup,
    problem: Problem,
    start: Any,
    iterations: int | None,
    past: Log,
    *,
    on_abandoned: Callable[[int, int], None],
    **also: Any,
) -> Outcome:
    """The outcome of one stage; `past` is its log before a run that is resumed, `on_abandoned` as in solve/slabs.py."""
    solver, slab = setup.job.design.solver, _at_a_time(setup, problem)
    kind = "all slices at once" if slab is None else "slabs" if is_by_slice(solver, problem) else "overlapping slabs"
    if also["state"] is not None and _kind_of(also["state"]) != kind:
        raise SolveError(
            f"the state is of a design in {_kind_of(also['state'])}, and this run would go on in {kind}: memory, "
            "memory_limit_gb or the number of processes has changed.\n  Go on with as much memory and as many "
            "processes as before, or with --force to begin anew."
        )
    if kind == "overlapping slabs" and slab is not None:
        return _overlapped(setup, problem, start, iterations, past, slab, **also)
    if iterations is None:
        return solve_until_done(
            problem, solver, start, past=past, vial=setup.design_vial, slab=slab, on_abandoned=on_abandoned, **also
        )
    if slab is None:
        return solve(problem, solver, start, iterations=iterations, **also)
    state, spent_s = also.pop("state"), also.pop("spent_s")
    run = begun(problem, slab, spent_s) if state is None else state
    found = passed(
        problem, solver, start, run, iterations=iterations, ramp=iterations, on_abandoned=on_abandoned, **also
    )
    best = on_one_threshold(problem, found.run["best"], found.run["most"])
    return Outcome(best, found.run["best"], found.log, found.run, found.stopped_because)


def _overlapped(
    setup: Setup,
    problem: Problem,
    start: Any,
    iterations: int | None,
    past: Log,
    slab: int,
    *,
    state: dict[str, Any] | None,
    spent_s: float,
    log_every: int,
    **also: Any,
) -> Outcome:
    """The same of slices that share rows: see flow/overlapped.py."""
    solver, coupled = setup.job.design.solver, isinstance(problem.operator, Scenarios)
    if coupled or overlapped.reach_of(problem.operator) >= problem.operator.dose_shape[2]:
        raise all_at_once(setup)

    def one(part: Problem, begin: Any, number: int, **more: Any) -> Outcome:
        if iterations is None:
            own = _of_slab(past, number)
            also = {"past": own, "vial": setup.design_vial, "log_every": log_every}
            return solve_until_done(part, solver, begin, **also, **more)
        return solve(part, solver, begin, iterations=iterations, log_every=log_every, **more)

    run = overlapped.begun(problem, slab, spent_s) if state is None else state
    return overlapped.designed(problem, start, run, one, **also)


def _kind_of(state: dict[str, Any]) -> str:
    """In what the design of a state goes on."""
    if "beside" in state:
        return "overlapping slabs"
    return "slabs" if "lanes" in state and "slabs" in state else "all slices at once"


def _of_slab(log: Log, number: int) -> Log:
    """The rows of a log that are of one slab."""
    places = [place for place, slab in enumerate(log.get("slab", [])) if slab == number]
    return {name: [values[place] for place in places] for name, values in log.items()}


def _at_a_time(setup: Setup, problem: Problem) -> int | None:
    """How many of a problem's slices are designed at a time; None: all. Where the job does not say, several processes
    share them evenly: equal and empty slices of the grid are not among them."""
    slab, processes = setup.slabs.design, ranks().size
    if slab is None or processes == 1 or setup.job.design.slab_slices is not None or not problem.slices_independent:
        return slab
    return shared_evenly(problem.operator.dose_shape[2], slab, processes)


def all_at_once(setup: Setup) -> JobError:
    """Of a design that memory or the job cuts into slabs, and that cannot be cut."""
    return JobError(
        f"{setup.why_in_slabs}, and this design cannot go slab by slab: its light spreads over "
        "all slices (a lens nearby), or it has coarse stages, or scenarios and slices that share rows of pixels.\n"
        "  Without those it would do, or as a design of all slices at once: one process, without slab_slices, with "
        "memory for all."
    )
