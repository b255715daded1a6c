"""The design: patterns that make a loss small, with the light kept between 0 and a limit.

`solve(problem, solver, start, iterations=...)` is the one loop; solvers, starts and stop rules are its parts. It sees
a loss and an operator and knows no physics.

Recommended (measured by benchmarks/quality.py on ten unlike shapes):
    quickly to a right print      loss gap_hinge, solver free_set_ramp, start filtered, 40 iterations
    to the widest process window  loss soft_window, solver bounded_lbfgs, start filtered, 100 iterations (0.4 of the
                                  excess over the best possible is left at 200)
Either way voxels 2 to 3 times finer than the pattern columns print truer than voxels as wide as the columns.
"""

from lightlathe.solve.accelerated import AcceleratedGradient
from lightlathe.solve.adam import Adam
from lightlathe.solve.bound import Bound, certify, prove
from lightlathe.solve.design import Outcome, Solver, StopRule, solve
from lightlathe.solve.free_set_ramp import FreeSetRamp
from lightlathe.solve.lbfgs import BoundedLBFGS
from lightlathe.solve.primal_dual import PrimalDual
from lightlathe.solve.problem import Evaluated, Problem, normalised
from lightlathe.solve.starts import Filtered, Uniform

SOLVERS = {
    "accelerated_gradient": AcceleratedGradient,
    "adam": Adam,
    "bounded_lbfgs": BoundedLBFGS,
    "free_set_ramp": FreeSetRamp,
    "primal_dual": PrimalDual,
}
STARTS = {
    "uniform": Uniform,
    "filtered": Filtered,
}
__all__ = [
    "SOLVERS", "STARTS", "AcceleratedGradient", "Adam", "Bound", "BoundedLBFGS", "Evaluated", "Filtered", "FreeSetRamp",
    "Outcome", "PrimalDual", "Problem", "Solver", "StopRule", "Uniform", "certify", "normalised", "prove", "solve",
]  # fmt: skip
