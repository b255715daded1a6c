"""A design on coarse voxels first, then on fine ones: the patterns are the same, only the voxels change."""

from collections.abc import Callable, Sequence
from typing import Any

from torch import Tensor

from lightlathe.errors import SolveError
from lightlathe.solve.design import Outcome, Solver, solve
from lightlathe.solve.problem import Problem


def climb(
    rungs: Sequence[tuple[Problem, int]], solver: Solver, start: Tensor | Callable[[Problem], Tensor], **settings: Any
) -> Outcome:
    """Solve each (problem, iterations) in turn, from the patterns of the one before; the Outcome is the last's.

    Problems differ in their voxels; levels are kept as light, so that a normalised operator may give its own unit.
    `settings` go to every `solve` (callbacks, stop rules). The log counts on from rung to rung.
    """
    if not rungs:
        raise SolveError("a ladder needs one rung or more; got none.")
    before: Problem | None = None
    outcome: Outcome | None = None
    log: dict[str, list[float]] = {}
    for problem, iterations in rungs:
        if before is not None and outcome is not None:
            if problem.operator.pattern_shape != before.operator.pattern_shape:
                raise SolveError(
                    f"a rung has patterns {problem.operator.pattern_shape}, the one below "
                    f"{before.operator.pattern_shape}; expected the same columns, rows and angles on every rung."
                )
            start = outcome.patterns * (before.operator.gain / problem.operator.gain)
        outcome = solve(problem, solver, start, iterations=iterations, **settings)
        done, spent = (log[name][-1] if log else shift for name, shift in (("iteration", -1), ("seconds", 0.0)))
        for name, values in outcome.log.items():
            shift = {"iteration": done + 1, "seconds": spent}.get(name, 0)
            log.setdefault(name, []).extend(value + shift for value in values)
        before = problem
    assert outcome is not None
    return Outcome(outcome.patterns, outcome.last, log, outcome.state, outcome.stopped_because)
