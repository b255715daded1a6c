"""The design: patterns that make a loss small, with the light kept between 0 and a limit.

`solve(problem, solver, start, iterations=...)` is the one loop; solvers, starts and stop rules are its parts. It sees
a loss and an operator and knows no physics.
"""

from lightlathe.solve.design import Outcome, Solver, StopRule, solve
from lightlathe.solve.free_set_ramp import FreeSetRamp
from lightlathe.solve.lbfgs import BoundedLBFGS
from lightlathe.solve.problem import Evaluated, Problem, normalised
from lightlathe.solve.starts import Filtered, Uniform

SOLVERS = {
    "free_set_ramp": FreeSetRamp,
    "bounded_lbfgs": BoundedLBFGS,
}
STARTS = {
    "uniform": Uniform,
    "filtered": Filtered,
}
__all__ = [
    "SOLVERS", "STARTS", "BoundedLBFGS", "Evaluated", "Filtered", "FreeSetRamp", "Outcome", "Problem", "Solver",
    "StopRule", "Uniform", "normalised", "solve",
]  # fmt: skip
