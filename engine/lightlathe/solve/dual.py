"""The dual problem of a process window: weights whose bound is as tight as can be, for solvers of designs."""

import math

import torch
from torch import Tensor

from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import Target
from lightlathe.solve.problem import Evaluated
from lightlathe.support.sums import by_slice, log_of_sum

TINY = 1e-30
FLOOR = 1e-4  # added to every root: no step can take the weights of a whole class away
EVEN = 0.01  # share of the weight that is spread evenly at first: a weight of 0 would hardly grow


class DualProblem:
    """The dual problem: the roots of weights per voxel, a soft maximum of ratios per slice.

    A weight w = u^2 has the gradient 2 u dF/dw by its root u, and a step against it changes w by a share of itself,
    whatever its size, and near 0 by little: steps in u are to first order those of exponentiated gradients (Kivinen &
    Warmuth, Inf. Comput. 132 (1997) 1). In logarithms of weights small ones hardly move: after 100 steps such bounds
    lay twice as far above the linear program's (benchmarks/QUALITY.md).

    What the operator does to the surroundings and to the part is done at once, as slices one after the other: products
    of few slices cost kernels little less than those of twice as many.
    """

    limit = 1e9  # upper bound of the solver's variables: none of a root, whose mean in a class is 1 at first

    def __init__(self, operator: LinearMap, target: Target) -> None:
        self.operator, self.target = operator, target
        self.twice = operator.of_slices(twice(operator.dose_shape[2]))
        self.masks = torch.cat([target.liquid, target.solid], 2)
        self.both = (target.solid.any(0).any(0) & target.liquid.any(0).any(0)).to(operator.dtype)

    def start(self, dose: Tensor, sharpness: tuple[float, ...]) -> tuple[Tensor, Tensor]:
        """Initial guess: the weights of soft windows of several sharpnesses on a design's dose; the tightest are taken.
        And (slice,) the logarithm of their worst ratio.

        Each slice uses its own threshold and sharpness; EVEN of the weight is spread evenly.
        """
        solid, liquid = self.target.solid, self.target.liquid
        min_inside = torch.where(solid, dose, math.inf).amin((0, 1))
        max_outside = torch.where(liquid, dose, -math.inf).amax((0, 1))
        scale = torch.where(self.both > 0, 2 / (min_inside + max_outside).clamp(min=1e-30), 1.0)
        excess = torch.where(solid, 1 - dose * scale, dose * scale - 1).to(self.operator.dtype)
        best, lowest = torch.zeros_like(excess), torch.full_like(excess[0, 0], math.inf)
        for k in sharpness:
            root = torch.zeros_like(excess)
            for mask in (solid, liquid):
                logs = torch.where(mask, k * excess, -math.inf)
                heavy = torch.exp(logs - logs.amax((0, 1)).nan_to_num(neginf=0.0))
                mixed = (1 - EVEN) * heavy / _total(heavy) + EVEN / mask.sum((0, 1)).clamp(min=1)
                root = root + _of_mean_one(torch.where(mask, mixed, 0.0).sqrt(), mask)
            highest = self.log_ratios(root)[0].flatten(0, 1).amax(0)
            better = highest < lowest
            best, lowest = torch.where(better, root, best), torch.where(better, highest, lowest)
        return best, lowest

    def log_ratios(self, root: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """log((A'q)_j / (A'p)_j) of every ray j, -inf where the part is not lit; A'p, A'q; and the weights."""
        weights = self.weights(root)
        over, under = self.twice.transpose(torch.cat([weights, weights], 2) * self.masks).chunk(2, 2)
        touched = (under > 0) & (self.both > 0)
        log_ratio = torch.where(touched, under.clamp(min=TINY).log() - over.clamp(min=TINY).log(), -math.inf)
        return log_ratio, over, under, weights

    def weights(self, root: Tensor) -> Tensor:
        """(x, y, z) weights, each class summing to 1 in every slice where it has voxels."""
        total = torch.zeros_like(root)
        for mask in (self.target.solid, self.target.liquid):
            square = torch.where(mask, (root + FLOOR).square(), 0.0)
            total = total + square / _total(square)
        return total

    def evaluate(self, root: Tensor, sharpness: float) -> tuple[Evaluated, Tensor]:
        """(slice,) soft maximum of log((A'q)_j / (A'p)_j) with the gradient of their sum; and the hard maxima."""
        solid, liquid = self.target.solid, self.target.liquid
        log_ratio, over, under, weights = self.log_ratios(root)
        rays = log_ratio.flatten(0, 1)
        soft = log_of_sum(sharpness * rays) / sharpness
        share = torch.where(log_ratio > -math.inf, torch.exp(sharpness * (log_ratio - soft)), 0.0)
        rays_each = torch.cat([share, share], 2) / torch.cat([over, under], 2).clamp(min=TINY)
        by_over, by_under = self.twice(rays_each).chunk(2, 2)
        by_weight = by_under * solid - by_over * liquid
        gradient = torch.zeros_like(root)
        for mask in (solid, liquid):
            part = weights * mask
            gradient = gradient + part * (by_weight - by_slice(part * by_weight))
        value = torch.where(self.both > 0, soft, 0.0)
        return Evaluated(root, weights, value, 2 * gradient / (root + FLOOR)), rays.amax(0)


def twice(slices: int) -> Tensor:
    """The number of every slice, and once more: of the surroundings, then of the part."""
    return torch.arange(slices).repeat(2)


def _total(x: Tensor) -> Tensor:
    """(z,) sum of each slice, a little above 0 where there is nothing."""
    return by_slice(x).clamp(min=TINY)


def _of_mean_one(x: Tensor, mask: Tensor) -> Tensor:
    return x * mask.sum((0, 1)) / _total(x)
