"""The solver of a job that names none: chosen by what the problem is."""

from dataclasses import dataclass

from lightlathe.solve.lbfgs import BoundedLBFGS
from lightlathe.solve.problem import Problem
from lightlathe.solve.slicewise import SlicewiseLBFGS


@dataclass(frozen=True)
class Auto:
    """`slicewise_lbfgs` where every slice has a row of pixels to itself and the loss a value for each slice (as
    `soft_window` has); `bounded_lbfgs` elsewhere."""

    def for_problem(self, problem: Problem) -> "SlicewiseLBFGS | BoundedLBFGS":
        each = hasattr(problem.loss, "each_slice")
        return SlicewiseLBFGS() if each and problem.slices_independent else BoundedLBFGS()
