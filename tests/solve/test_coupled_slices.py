"""Designs of slices that light couples: rows have directions of their own, and one value decides for all."""

import dataclasses
import math

import pytest
import torch

from flat_problems import Mixing, make
from lightlathe.losses import Roughness, SoftWindow
from lightlathe.quantities import Target
from lightlathe.solve import Auto, BoundedLBFGS, Filtered, Problem, SlicewiseLBFGS, solve
from lightlathe.solve.problem import Evaluated
from lightlathe.solve.reference.slicewise import Products
from lightlathe.solve.slicewise import FAR, NEAR, RELAXED, _nearby

SHAPES = ("disc", "hook", "two_pins", "hook", "disc")


@pytest.fixture(scope="module")
def toy():
    """Unlike slices, each of which takes a fifth of its neighbours' light."""
    whole = make("disc", voxels=20, angles=30, dtype=torch.float32, slices=len(SHAPES))
    targets = [make(shape, voxels=20, angles=30).target for shape in SHAPES]
    solid, liquid = (torch.cat([getattr(target, name) for target in targets], 2) for name in ("solid", "liquid"))
    return Problem(Mixing(whole.operator), SoftWindow(), Target(solid, liquid))


def some_products(rows=6, size=5):
    generator = torch.Generator().manual_seed(4)
    return Products(
        torch.rand(size, size, rows, generator=generator, dtype=torch.float64),
        torch.rand(rows, generator=generator, dtype=torch.float64),
        torch.rand(rows, generator=generator, dtype=torch.float64),
    )


@pytest.mark.parametrize("reach", [0.5, 2.0, 30.0])
def test_rows_count_the_less_the_farther_they_lie(reach):
    """Sum by sum, in plain loops."""
    found = some_products()
    near = _nearby(found, torch.tensor(reach, dtype=torch.float64))
    for given, made in zip(found, near, strict=True):
        for row in range(6):
            weights = torch.exp(-(torch.arange(6) - row).abs().double() / reach)
            wanted = torch.stack([weights[k] * given[..., k] for k in range(6)]).sum(0)
            torch.testing.assert_close(made[..., row], wanted, rtol=1e-12, atol=0)


def test_a_row_that_overflowed_says_nothing_to_the_others():
    found = some_products()
    broken = Products(*(torch.where(torch.arange(6) == 2, math.nan, one) for one in found))
    without = Products(*(torch.where(torch.arange(6) == 2, 0.0, one) for one in found))
    reach = torch.tensor(2.0, dtype=torch.float64)
    for one, wanted in zip(_nearby(broken, reach), _nearby(without, reach), strict=True):
        assert torch.equal(one, wanted)


def test_with_the_largest_reach_all_rows_are_one():
    found = some_products()
    near = _nearby(found, torch.tensor(FAR, dtype=torch.float64))
    torch.testing.assert_close(near.gram, found.gram.sum(2, keepdim=True).expand(5, 5, 6), rtol=6 / FAR, atol=0)


def test_a_refused_step_is_halved_and_looks_at_twice_as_many_rows(toy):
    solver, loss = SlicewiseLBFGS(), toy.loss.stage(1.0)
    state = solver.begin(Filtered()(toy), toy)
    for _ in range(3):
        at = toy.evaluate(state["trial"], loss)
        state = solver.advance(state, at, toy)
    kept, value = state["patterns"].clone(), state["value"].clone()
    step, reach = float(state["step"][0]), float(state["reach"])
    assert reach >= NEAR
    at = toy.evaluate(state["trial"], loss)
    worse = Evaluated(at.patterns, at.dose, value[0] + 1, at.gradient)
    for halvings in (1, 2, 3):
        state = solver.advance(state, worse, toy)
        assert torch.equal(state["patterns"], kept)
        assert torch.equal(state["value"], value)
        assert state["step"].tolist() == [step * 0.5**halvings] * len(SHAPES)
        assert float(state["reach"]) == reach * 2**halvings
    at = toy.evaluate(state["trial"], loss)
    better = Evaluated(at.patterns, at.dose, value[0] - 1, at.gradient)
    state = solver.advance(state, better, toy)
    assert float(state["reach"]) == RELAXED * (reach * 8)
    assert state["step"].tolist() == [1.0] * len(SHAPES)


def test_stopped_and_resumed_it_is_the_same_bit_for_bit(toy):
    whole = solve(toy, SlicewiseLBFGS(), Filtered(), iterations=30)
    for stop_at in (3, 17):
        half = solve(
            toy, SlicewiseLBFGS(), Filtered(), iterations=30,
            on_iteration=lambda row, at=stop_at: "stop" if row["iteration"] + 1 == at else None,
        )  # fmt: skip
        rest = solve(toy, SlicewiseLBFGS(), Filtered(), iterations=30, state=half.state)
        assert torch.equal(rest.last, whole.last)
        assert torch.equal(rest.patterns, whole.patterns)
        assert half.log["loss"] + rest.log["loss"] == whole.log["loss"]


def test_it_is_the_same_for_any_number_of_threads(toy):
    found = []
    for threads in (1, 2, 3):
        torch.set_num_threads(threads)  # the fixture of this folder sets it back
        found.append(solve(toy, SlicewiseLBFGS(), Filtered(), iterations=6).last)
    assert torch.equal(found[0], found[1])
    assert torch.equal(found[0], found[2])


def test_what_a_job_takes_by_itself(toy):
    assert isinstance(Auto().for_problem(toy), BoundedLBFGS)
    smooth = dataclasses.replace(toy, penalties=(Roughness(),))
    assert isinstance(Auto().for_problem(smooth), BoundedLBFGS)


def test_it_opens_a_window_as_wide_as_the_joint_solver_does(toy):
    own, joint = (
        max(solve(toy, solver, Filtered(), iterations=100).log["window_relative"])
        for solver in (SlicewiseLBFGS(), BoundedLBFGS())
    )
    assert own > 0.1
    assert own > joint - 0.01
