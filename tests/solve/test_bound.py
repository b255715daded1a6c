"""The bound: never below what a linear program reaches, close to it, closed form of a disc, and it says where."""

import math

import pytest
import torch
from test_against_programs_outside import CASES, best_ratio, flat

from flat_problems import make
from lightlathe.errors import SolveError
from lightlathe.losses import SoftWindow
from lightlathe.quantities import Target
from lightlathe.solve import BoundedLBFGS, Filtered, Problem, Uniform, certify, prove, solve, steps_for


def designed(case, iterations=100, limit=1e6):
    problem = Problem(case.operator, SoftWindow(), case.target, limit=limit)
    return solve(problem, BoundedLBFGS(), Filtered(), iterations=iterations)


@pytest.mark.parametrize(("shape", "absorption"), CASES)
def test_bound_lies_just_above_the_linear_program(shape, absorption):
    case, _ = flat(shape, absorption)
    outcome = designed(case)
    bound = prove(case.operator, case.target, case.operator(outcome.patterns), exact=case.operator)
    best = 1 - best_ratio(shape, absorption)
    assert max(outcome.log["window_relative"]) <= bound.window  # the gap is never negative
    assert best <= bound.window + 1e-7  # HiGHS keeps its constraints to 1e-7
    assert bound.window - best <= 0.03  # what is asked of benchmarks/quality.py at 32 x 32


def test_how_many_steps_are_afforded():
    """Steps of equal cost; a last stage, an eighth of them or 10 of 200, at five times the cost: by hand."""
    assert steps_for(66, 1, 1) == 66
    assert steps_for(1000, 1, 1) == 1000
    assert steps_for(66, 2, 2) == 33
    assert steps_for(66, 1, 5) == 44  # 38.5 at 1 and 5.5 at 5
    assert steps_for(740, 1, 5) == 300  # 190 at 1, 10 at 5, then 100 at 5
    assert steps_for(1e9, 1, 5) == 2000  # the most


def test_any_weights_prove_something_true():
    """Strong words need a weak premise: weights drawn at random bound the ratio of patterns drawn at random."""
    case, _ = flat("hook", 1.0)
    generator = torch.Generator().manual_seed(5)
    for _ in range(20):
        weights = torch.rand(case.grid.shape, generator=generator, dtype=torch.float64) ** 8
        bound = certify(case.operator, case.target, weights)
        patterns = 4 * torch.rand(case.operator.pattern_shape, generator=generator, dtype=torch.float64) ** 3
        dose = case.operator(patterns)
        ratio = dose[case.target.liquid].max() / dose[case.target.solid].min()
        assert 1 - ratio <= bound.window


def test_bound_by_hand():
    """Two rays and three voxels: the part gets (2, 1), the rest (1, 0) and (0, 1). Weights p = (a, 1 - a) prove
    min(a / 2, 1 - a), at most 1/3 for a = 2/3; patterns (1, 1) reach it: 1 / 3."""

    class Plain:
        dtype, device, slices_independent = torch.float64, torch.device("cpu"), True
        pattern_shape, dose_shape = (1, 2, 1), (3, 1, 1)
        matrix = torch.tensor([[2.0, 1], [1, 0], [0, 1]], dtype=torch.float64)

        def transpose(self, volume):
            return (self.matrix.T @ volume.flatten(0, 1))[None]

        def of_slices(self, index):
            return self

    solid = torch.tensor([True, False, False]).reshape(3, 1, 1)
    weights = torch.tensor([1, 2, 1], dtype=torch.float64).reshape(3, 1, 1)
    bound = certify(Plain(), Target(solid, ~solid), weights)
    assert bound.window == pytest.approx(1 - 1 / 3, abs=1e-8)  # lowered by 1e-9 for rounding
    assert bound.window >= 1 - 1 / 3
    even = certify(Plain(), Target(solid, ~solid), torch.ones(3, 1, 1))
    assert even.window == pytest.approx(1 - 1 / 4, abs=1e-8)


@pytest.mark.parametrize("radius", [0.5, 0.75])
@pytest.mark.parametrize("a", [1.0, 2.0])
def test_closed_form_of_a_disc(radius, a):
    """w <= 1 - a c^2 cosh(a) / (2 sinh(a c)) for a disc of radius c (vial radius 1) and absorption a, any design:
    even weights on the disc, all outer weight on the wall. The same weights prove it on a grid."""
    closed = 1 - a * radius**2 * math.cosh(a) / (2 * math.sinh(a * radius))
    case = make("disc", voxels=256, columns=16, angles=15, absorption=a)
    distance = case.grid.radius_mm()[:, :, None]
    solid, inside = distance <= radius, distance <= 1
    wall = inside & (distance > 1 - 1 / 16)  # half a column thick
    weights = torch.where(solid | wall, 1.0, 0.0)
    bound = certify(case.raw, Target(solid, inside & ~solid), weights)
    assert bound.window == pytest.approx(closed, abs=0.03)  # columns of an eighth of the radius, a wall of a sixteenth


def test_slices_are_proven_one_by_one():
    case, thick = make("hook", slices=1), make("hook", slices=3)
    both = thick.target.solid.clone()
    both[:, :, 2] = make("disc").target.solid[:, :, 0]
    inside = thick.target.solid | thick.target.liquid
    empty = both.clone()
    empty[:, :, 0] = False
    target = Target(empty, inside & ~empty)
    problem = Problem(thick.operator, SoftWindow(), target)
    dose = thick.operator(solve(problem, BoundedLBFGS(), Filtered(), iterations=60).patterns)
    bound = prove(thick.operator, target, dose, exact=thick.operator)
    assert bound.by_slice[0] == 1  # nothing to print there, nothing to prove
    assert bound.window == pytest.approx(float(bound.by_slice.min()), abs=1e-12)
    assert bound.worst_slice in (1, 2)
    alone = prove(case.operator, case.target, case.operator(designed(case).patterns), exact=case.operator)
    assert float(bound.by_slice[1]) == pytest.approx(alone.window, abs=0.03)  # two searches for one optimum, 0.01 apart


def test_what_cannot_print_is_proven_so():
    """A disc of half the vial's radius: the closed form above is below 0 for an absorption of 2.3 / radius and more."""
    case = make("disc", voxels=32, angles=48, absorption=3.0)
    dose = case.operator(Uniform()(Problem(case.operator, SoftWindow(), case.target)))
    bound = prove(case.operator, case.target, dose, exact=case.operator)
    assert bound.window < 0


def test_single_precision_searches_and_double_certifies():
    single, double = make("hook", dtype=torch.float32), make("hook")
    dose = double.operator(designed(double).patterns)
    bound = prove(single.operator, single.target, dose.float(), exact=double.operator)
    same = prove(double.operator, double.target, dose, exact=double.operator)
    assert bound.weights.dtype == torch.float64
    assert bound.window == pytest.approx(same.window, abs=0.005)  # two searches; both are certified
    with pytest.raises(SolveError, match="float64"):
        certify(single.operator, single.target, bound.weights)
