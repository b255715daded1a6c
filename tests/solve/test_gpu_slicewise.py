"""The updates of solver slicewise_lbfgs in Triton against their equals in plain torch."""

import pytest
import torch
from gpu_cases import LIMIT, mapped, numbers

from gpu_device import DEVICE
from lightlathe.solve.gpu import slicewise as fused
from lightlathe.solve.moves import Coded, Move, Point
from lightlathe.solve.reference import slicewise as plain
from lightlathe.solve.reference.slicewise import empty_pairs, encoded

SHAPES = [(1, (1, 1, 1)), (2, (3, 150, 37)), (5, (2, 129, 70))]  # blocks of columns and tiles of slices half filled


def moved(*values):
    return mapped(lambda tensor: tensor.to(DEVICE), values)


def case(memory, shape):
    tried, x = numbers(shape, 1, positive=True), numbers(shape, 2, positive=True)
    to_gradient, gradient = numbers(shape, 3), numbers(shape, 4)
    accepted = torch.arange(shape[2]) % 3 != 1
    pairs = empty_pairs(2 * memory, shape, torch.device("cpu"))
    for row in range(2 * memory):
        new = encoded(numbers(shape, 5 + row) * 10.0 ** (row % 3 - 1))
        pairs.codes[row], pairs.scales[row] = new.codes, new.scales
    return accepted, tried, to_gradient, x, gradient, pairs


@pytest.mark.parametrize(("memory", "shape"), SHAPES)
def test_products_and_the_newest_pair(memory, shape):
    accepted, tried, to_gradient, x, gradient, pairs = case(memory, shape)
    slot, change = torch.tensor(memory // 2, dtype=torch.int32), encoded(tried - x)
    move, own = Move(accepted, Point(tried, to_gradient), Point(x, gradient)), Coded(*(part.clone() for part in pairs))
    wanted = plain.products(move, slot, change, own, limit=LIMIT)
    there, at, new, kept = moved(move, slot, change, pairs)
    found = fused.products(there, at, new, kept, limit=LIMIT)
    assert torch.equal(kept.codes.cpu(), own.codes)
    torch.testing.assert_close(kept.scales.cpu(), own.scales, rtol=3e-7, atol=0)  # one rounding of float32
    sizes = wanted.gram.diagonal().T.clamp(min=1e-300).sqrt()
    off = (found.gram.cpu() - wanted.gram).abs() / (sizes[:, None] * sizes[None])
    taken = torch.ones(2 * memory + 1, 2 * memory + 1, dtype=torch.bool)
    taken[:memory, :memory] = torch.eye(memory)  # products of changes with each other are not asked for
    assert float(off[taken].max()) < 5e-6  # of the norms' product: sums of float32
    torch.testing.assert_close(found.size.cpu(), wanted.size, rtol=5e-6, atol=1e-6)
    torch.testing.assert_close(found.levels.cpu(), wanted.levels, rtol=5e-6, atol=1e-6)


@pytest.mark.parametrize(("memory", "shape"), SHAPES)
def test_factors_and_step(memory, shape):
    accepted, tried, to_gradient, x, gradient, pairs = case(memory, shape)
    slot, change = torch.tensor(memory // 2, dtype=torch.int32), encoded(tried - x)
    move = Move(accepted, Point(tried, to_gradient), Point(x, gradient))
    found = plain.products(move, slot, change, pairs, limit=LIMIT)
    valid = torch.arange(memory * shape[2]).reshape(memory, -1) % 4 != 2
    wanted = plain.factors(found, valid, slot, first_change=0.1)
    on_card = plain.Products(*moved(*found))
    made = fused.factors(on_card, *moved(valid, slot), first_change=0.1)
    torch.testing.assert_close(made.cpu(), wanted, rtol=6e-8, atol=1e-12)  # first_change is float32 on a card
    step = torch.linspace(0.1, 1, shape[2], dtype=torch.float64)
    small = numbers((2 * memory + 1, shape[2]), 9).double()  # solved ones may be so large that their terms cancel
    wanted_step = plain.stepped(move, pairs, small, step, limit=LIMIT)
    got_step = fused.stepped(*moved(move, pairs, small, step), limit=LIMIT)
    points, predicted, moves = [*wanted_step.at, wanted_step.trial], wanted_step.predicted, wanted_step.change
    got, foreseen, codes = [*got_step.at, got_step.trial], got_step.predicted, got_step.change
    for one, other in zip(got, points, strict=True):
        torch.testing.assert_close(one.cpu(), other, rtol=1e-5, atol=3e-6 * float(other.abs().max()))  # 11 terms
    reach = ((points[2] - points[0]).double().square().sum((0, 1)) * points[1].double().square().sum((0, 1))).sqrt()
    assert bool(((foreseen.cpu() - predicted).abs() <= 5e-6 * reach + 1e-6).all())
    off = codes.codes.cpu().int() - moves.codes.int()  # where a rounding falls to two sides
    assert int(off.abs().max()) <= 1
    assert int(off.count_nonzero()) <= 1 + x.numel() // 500


def test_tally_by_slice():
    """Every slice's counts and extremes, against plain torch."""
    from lightlathe.quantities import Target
    from lightlathe.solve.gpu.metrics import tally
    from lightlathe.solve.metrics import Figures

    dose = numbers((37, 29, 41), 7) + 1
    kind = numbers((37, 29, 41), 8)
    solid, liquid = kind > 0.4, kind < -0.2
    solid[:, :, 3] = False
    cured = dose >= 1
    wanted = [
        (cured & solid).sum((0, 1)), (cured & liquid).sum((0, 1)), solid.sum((0, 1)), liquid.sum((0, 1)),
        torch.where(solid, dose, torch.inf).amin((0, 1)), torch.where(liquid, dose, -torch.inf).amax((0, 1)),
    ]  # fmt: skip
    for got, sure in zip(tally(*moved(dose, solid, liquid)), wanted, strict=True):
        assert torch.equal(got.cpu().double(), sure.double())
    figures = Figures.of(dose.to(DEVICE), Target(*moved(solid, liquid)))
    assert float(figures.windows[3]) == float("inf")
