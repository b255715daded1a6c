"""The design: patterns that make a loss small, with the light kept between 0 and a limit.

`solve(problem, solver, start, iterations=...)` is the one loop; solvers, starts and stop rules are its parts. It sees
a loss and an operator and knows no physics.

Recommended (measured by benchmarks/quality.py, slices.py and jobs.py):
    for a print               what a job gets that says nothing: loss soft_window, solver auto (every slice on its own
                              where it has a row of pixels to itself), start filtered, as many iterations as it takes
    for a result in seconds   loss gap_hinge, solver free_set_ramp, start filtered, 20 iterations
Voxels 2 to 3 times finer than the pixel columns print truer than voxels as wide as the columns. A ladder from coarse
voxels to fine ones (flow/stages.py) saves nothing worth having: the filtered start is as good as a coarse design.
"""

from lightlathe.solve.accelerated import AcceleratedGradient
from lightlathe.solve.adam import Adam
from lightlathe.solve.auto import Auto
from lightlathe.solve.best import narrowed
from lightlathe.solve.bound import Bound, certify, estimate, first_bounds, prove, steps_for
from lightlathe.solve.design import ALL_DONE, Outcome, Solver, Start, is_by_slice, logged_every, solve, suited
from lightlathe.solve.earlier import Earlier, patterns_for
from lightlathe.solve.free_set_ramp import FreeSetRamp
from lightlathe.solve.lbfgs import BoundedLBFGS
from lightlathe.solve.memory import copies
from lightlathe.solve.primal_dual import PrimalDual
from lightlathe.solve.problem import Evaluated, Problem, normalised
from lightlathe.solve.rounding import rounded
from lightlathe.solve.scenarios import Scenarios, repeated
from lightlathe.solve.slicewise import SlicewiseLBFGS
from lightlathe.solve.starts import Filtered, Uniform
from lightlathe.solve.stop import StopRule

SOLVERS: dict[str, type[Solver] | type[Auto]] = {
    "accelerated_gradient": AcceleratedGradient,
    "adam": Adam,
    "auto": Auto,
    "bounded_lbfgs": BoundedLBFGS,
    "free_set_ramp": FreeSetRamp,
    "primal_dual": PrimalDual,
    "slicewise_lbfgs": SlicewiseLBFGS,
}
STARTS: dict[str, type[Start]] = {
    "earlier": Earlier,
    "uniform": Uniform,
    "filtered": Filtered,
}
__all__ = [
    "ALL_DONE", "SOLVERS", "STARTS", "AcceleratedGradient", "Adam", "Auto", "Bound", "BoundedLBFGS", "Earlier",
    "Evaluated", "Filtered", "FreeSetRamp", "Outcome", "PrimalDual", "Problem", "Scenarios", "SlicewiseLBFGS", "Solver",
    "Start", "StopRule", "Uniform", "certify", "copies", "estimate", "first_bounds", "is_by_slice", "logged_every",
    "narrowed", "normalised", "patterns_for", "prove", "repeated", "rounded", "solve", "steps_for", "suited",
]  # fmt: skip
