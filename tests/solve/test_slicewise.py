"""Slice-wise L-BFGS: each slice as if it were alone, the textbook's direction, and what it does where slices couple."""

import dataclasses
import itertools
import math

import pytest
import torch

from flat_problems import Mixing, make
from lightlathe.errors import JobError
from lightlathe.losses import GapHinge, SoftWindow
from lightlathe.quantities import Target
from lightlathe.solve import Filtered, Problem, SlicewiseLBFGS, solve
from lightlathe.solve.metrics import Figures
from lightlathe.solve.moves import Move, Point
from lightlathe.solve.reference.slicewise import (
    Products,
    decoded,
    empty_pairs,
    encoded,
    encoded_in_torch,
    factors,
    products,
    stepped,
)
from lightlathe.solve.step_rules import free

SHAPES = ("disc", "hook", "two_pins", "hook")


def stacked(voxels=24, angles=36, dtype=torch.float32):
    """A problem of unlike slices, and those slices one by one; all operators in the same unit."""
    alone = [make(shape, voxels=voxels, angles=angles, dtype=dtype) for shape in SHAPES]
    whole = make("disc", voxels=voxels, angles=angles, dtype=dtype, slices=len(SHAPES))
    solid, liquid = (torch.cat([getattr(case.target, name) for case in alone], 2) for name in ("solid", "liquid"))
    unit = 2.0 / angles
    return (
        Problem(whole.raw.scaled(unit), SoftWindow(sharpest=300), Target(solid, liquid)),
        [Problem(case.raw.scaled(unit), SoftWindow(sharpest=300), case.target) for case in alone],
    )


def test_slices_of_a_batch_are_the_same_slices_alone_bit_for_bit():
    whole, alone = stacked()
    start = torch.rand(whole.operator.pattern_shape, generator=torch.Generator().manual_seed(1))
    found = solve(whole, SlicewiseLBFGS(), start, iterations=25).last
    for z, problem in enumerate(alone):
        by_itself = solve(problem, SlicewiseLBFGS(), start[:, :, z : z + 1].contiguous(), iterations=25).last
        assert torch.equal(found[:, :, z : z + 1], by_itself)


@pytest.mark.parametrize("dtype", [torch.float32, torch.float64])
def test_the_compiled_sums_of_slices_are_those_of_each_alone_bit_for_bit(dtype):
    """However many slices lie side by side: vector registers take some at once, and the last ones one by one."""
    generator = torch.Generator().manual_seed(5)
    shape, pairs = (5, 131, 19), 2
    tried, x, to_gradient, gradient = (torch.randn(shape, generator=generator, dtype=dtype) for _ in range(4))
    tried, x = tried.clamp(0, 1), x.clamp(0, 1)
    rows = [torch.randn(shape, generator=generator, dtype=dtype) for _ in range(2 * pairs)]
    small = torch.randn(2 * pairs + 1, 19, generator=generator, dtype=torch.float64)

    def made(z):
        own = [one[..., z].contiguous() for one in (tried, to_gradient, x, gradient)]
        kept = empty_pairs(2 * pairs, own[0].shape, torch.device("cpu"))
        for row, values in enumerate(rows):
            kept.codes[row], kept.scales[row] = encoded(values[..., z].contiguous())
        move = Move(torch.ones(len(own[0][0, 0]), dtype=torch.bool), Point(*own[:2]), Point(*own[2:]))
        found = products(move, torch.tensor(1), encoded(own[0] - own[2]), kept, limit=1.0)
        step = torch.ones(len(own[0][0, 0]), dtype=torch.float64)
        _, trial, predicted, change = stepped(move, kept, small[:, z].contiguous(), step, limit=1.0)
        return [*found, trial, predicted, decoded(change, 131, dtype)]

    whole = made(slice(None))
    for z in range(19):
        for one, alone in zip(whole, made(slice(z, z + 1)), strict=True):
            assert torch.equal(one[..., z : z + 1], alone)


def test_the_compiled_codes_are_those_of_plain_torch():
    values = torch.randn(7, 300, 9, generator=torch.Generator().manual_seed(6))
    values[0, 0, 0], values[1, 1, 0], values[2] = math.nan, math.inf, 0
    for one, other in zip(encoded(values), encoded_in_torch(values), strict=True):
        assert torch.equal(one.nan_to_num(-1), other.nan_to_num(-1))


def test_every_slice_ends_on_one_threshold():
    whole, _ = stacked()
    dim = whole.operator(torch.ones(whole.operator.pattern_shape))
    start = (
        torch.rand(whole.operator.pattern_shape, generator=torch.Generator().manual_seed(2))
        * torch.tensor([0.3, 1.0, 2.0, 0.1])
        / dim.mean()
    )
    outcome = solve(whole, SlicewiseLBFGS(), start, iterations=40)
    figures = Figures.of(whole.operator(outcome.patterns), whole.target)
    middles = (figures.most + figures.least) / 2
    torch.testing.assert_close(middles, middles.mean().expand(4), rtol=1e-5, atol=0)  # float32 sums
    assert float(figures.windows.min()) == pytest.approx(float(figures.window_relative), abs=1e-5)
    assert float(outcome.patterns.max()) <= whole.limit * (1 + 1e-6)


def test_the_direction_is_that_of_the_textbook():
    """Nocedal & Wright, Numerical Optimization (2006), algorithm 7.4, on the free levels of each slice."""
    generator = torch.Generator().manual_seed(3)
    shape, pairs = (3, 150, 5), 3

    def random():
        return torch.rand(shape, generator=generator, dtype=torch.float64)

    tried, x = (2 * random() - 0.5).clamp(0, 1), (2 * random() - 0.5).clamp(0, 1)
    to_g, old_g = random() - 0.5, random() - 0.5
    accepted = torch.tensor([True, False, True, True, False])
    kept = empty_pairs(2 * pairs, shape, torch.device("cpu"))
    for row in range(2 * pairs):
        new = encoded(random() + (random() - 0.5))  # with a share in common, so that curvatures are above 0
        kept.codes[row], kept.scales[row] = new.codes, new.scales
    slot = torch.tensor(1)
    move = Move(accepted, Point(tried, to_g), Point(x, old_g))
    found = products(move, slot, encoded(tried - x), kept, limit=1.0)
    valid = torch.tensor([[True] * 5, [False, True, True, True, True], [True, True, False, True, True]])
    made = factors(found, valid, slot, first_change=0.1)
    point, gradient = torch.where(accepted, tried, x), torch.where(accepted, to_g, old_g)
    loose = free(point, gradient, 1.0)
    rows = decoded(kept, shape[1], torch.float64) * loose
    _, trial, predicted, _ = stepped(move, kept, made, torch.full((5,), 1e-6, dtype=torch.float64), limit=1.0)
    for z in range(5):
        start = (gradient * loose)[..., z]
        used = [
            i for i in (1, 0, 2)
            if valid[i, z] and (rows[i] * rows[i + pairs])[..., z].sum() > 0
        ]  # fmt: skip
        q, alpha = start.clone(), {}
        for i in used:
            s, y = rows[i][..., z], rows[i + pairs][..., z]
            alpha[i] = (s * q).sum() / (s * y).sum()
            q = q - alpha[i] * y
        s, y = rows[used[0]][..., z], rows[used[0] + pairs][..., z]
        q = q * (s * y).sum() / (y * y).sum()
        for i in reversed(used):
            s, y = rows[i][..., z], rows[i + pairs][..., z]
            q = q + (alpha[i] - (y * q).sum() / (s * y).sum()) * s
        inside = (point[..., z] > 1e-3) & (point[..., z] < 1 - 1e-3) & loose[..., z]
        step = ((point - trial)[..., z] / 1e-6)[inside]
        torch.testing.assert_close(step, q[inside], rtol=1e-6, atol=1e-8 * float(q.abs().max()))  # cancellation of 1e-6
        assert float(predicted[z]) < 0


def test_uphill_directions_are_replaced_by_the_gradient():
    """A pair whose products were spoilt by rounding: <q, H q> below 0."""
    gram = torch.tensor([[1.0, 1, 10], [1, 1, 0], [10, 0, 1]], dtype=torch.float64)[:, :, None]
    spoilt = Products(gram, torch.ones(1, dtype=torch.float64), torch.ones(1, dtype=torch.float64))
    good = factors(spoilt, torch.ones(1, 1, dtype=torch.bool), torch.tensor(0), first_change=0.1)
    assert good[:, 0].tolist() != [0.0, 0.0, 1.0]
    gram = torch.tensor([[1.0, 1, 0], [1, 1, 10], [0, 10, 1]], dtype=torch.float64)[:, :, None]
    spoilt = spoilt._replace(gram=-gram * torch.tensor([[1, -1, 1], [-1, -1, 1], [1, 1, 1]])[:, :, None])
    made = factors(spoilt, torch.ones(1, 1, dtype=torch.bool), torch.tensor(0), first_change=0.1)
    assert made[:, 0].tolist() == [0.0, 0.0, 1.0]


def test_coupled_slices_are_accepted_together():
    """Where slices couple one value decides for all: it never rises, and the design opens a window."""
    whole, _ = stacked()
    same = Target(whole.target.solid[:, :, 1:2].expand(-1, -1, 4), whole.target.liquid[:, :, 1:2].expand(-1, -1, 4))
    coupled = dataclasses.replace(whole, operator=Mixing(whole.operator), target=same)
    assert not coupled.slices_independent
    loss, values = SoftWindow(softest=100, sharpest=100, stages=1), []
    problem = dataclasses.replace(coupled, loss=loss)
    solver, start = SlicewiseLBFGS(), Filtered()(whole)
    state = solver.begin(start, problem)
    for _ in range(40):
        state = solver.advance(state, problem.evaluate(state["trial"], loss), problem)
        assert bool((state["value"] == state["value"][0]).all())
        assert bool((state["step"] == state["step"][0]).all())
        values.append(float(state["value"][0]))
    assert all(later <= earlier for earlier, later in itertools.pairwise(values))
    found = solve(coupled, solver, start, iterations=60)
    assert found.log["window_relative"][-1] > 0.1  # 0.19 to 0.23; 0.27 without the coupling


def test_other_losses_are_refused_where_slices_stand_alone():
    whole, _ = stacked()
    with pytest.raises(JobError, match="value for each"):
        solve(dataclasses.replace(whole, loss=GapHinge()), SlicewiseLBFGS(), Filtered(), iterations=2)


def test_a_slice_without_part_goes_dark_and_one_that_cannot_print_spoils_no_other():
    whole, _ = stacked()
    solid, liquid = whole.target.solid.clone(), whole.target.liquid.clone()
    solid[:, :, 0], liquid[:, :, 0] = False, whole.target.solid[:, :, 0] | whole.target.liquid[:, :, 0]
    chequer = torch.arange(24)[:, None] + torch.arange(24)[None] & 1
    inside = whole.target.solid[:, :, 2] | whole.target.liquid[:, :, 2]
    solid[:, :, 2], liquid[:, :, 2] = inside & (chequer == 1), inside & (chequer == 0)
    start = torch.rand(whole.operator.pattern_shape, generator=torch.Generator().manual_seed(1))
    plain = solve(whole, SlicewiseLBFGS(), start, iterations=30)
    other = solve(dataclasses.replace(whole, target=Target(solid, liquid)), SlicewiseLBFGS(), start, iterations=30)
    assert torch.equal(plain.last[:, :, [1, 3]], other.last[:, :, [1, 3]])
    assert math.isfinite(other.log["loss"][-1])
    windows = Figures.of(whole.operator(other.patterns), Target(solid, liquid)).windows
    assert windows[2] < 0 < windows[1]
