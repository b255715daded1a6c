"""The solver of a job that names none: chosen by what the problem is."""

from dataclasses import dataclass

from lightlathe.solve.lbfgs import BoundedLBFGS
from lightlathe.solve.problem import Problem
from lightlathe.solve.slicewise import SlicewiseLBFGS


@dataclass(frozen=True)
class Auto:
    """`slicewise_lbfgs` where the loss has a value for each slice (as `soft_window` has) and no penalty is put on
    patterns; `bounded_lbfgs` elsewhere."""

    def for_problem(self, problem: Problem) -> "SlicewiseLBFGS | BoundedLBFGS":
        each = hasattr(problem.loss, "each_slice")
        return SlicewiseLBFGS() if each and not problem.penalties else BoundedLBFGS()
