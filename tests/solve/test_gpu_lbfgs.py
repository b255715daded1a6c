"""The passes of solver bounded_lbfgs in Triton against their equals in plain torch."""

import pytest
import torch
from gpu_cases import LIMIT, NO, YES, both, numbers

from gpu_device import DEVICE
from lightlathe.solve.eight_bits import encoded
from lightlathe.solve.gpu import lbfgs as lbfgs_triton
from lightlathe.solve.moves import Coded, Move, Point
from lightlathe.solve.reference import lbfgs as lbfgs_passes
from operators import gap

# all four on one shape; the interpreter is slow, so of the others each answer once
ANSWERS = [(YES, YES), (NO, NO), (YES, NO), (NO, YES)]
LARGE = [(1, (1, 1, 1)), (1, (2, 100, 50)), (5, (2, 70, 31)), (10, (3, 20, 11))]


@pytest.mark.parametrize(
    ("memory", "shape", "accepted", "learn"),
    [
        *((5, (3, 20, 11), *answers) for answers in ANSWERS),
        *((*size, *answers) for size in LARGE for answers in ANSWERS[:2]),
    ],
)
def test_lbfgs(shape, accepted, learn, memory):
    tried, x = numbers(shape, 1, positive=True), numbers(shape, 2, positive=True)
    tried_gradient, gradient = numbers(shape, 3), numbers(shape, 4)
    n = x.numel()
    pairs = eight_bits_of(numbers((2 * memory, n), 5))
    change, slot = encoded((tried - x).flatten()), torch.tensor([memory // 2])
    move = Move(accepted, Point(tried, tried_gradient), Point(x, gradient))
    made, here, exact = both(lbfgs_triton, lbfgs_passes, "learnt", move, learn, slot, change, pairs, limit=LIMIT)
    for name, (got, wanted) in zip(lbfgs_passes.Products._fields, made, strict=True):
        # of the norms' product, which is about n: float32 sums
        assert float((got - wanted).abs().max()) <= 2e-6 * (n + 10), name
    off = here[-1].codes.cpu().int() - exact[-1].codes.int()  # where float32 and float64 round to two sides
    assert int(off.abs().max()) <= 1
    assert int(off.count_nonzero()) <= 1 + n // 1000
    assert torch.allclose(here[-1].scales.cpu().double(), exact[-1].scales, rtol=3e-7, atol=0)
    step, factors = torch.tensor(0.8).double(), numbers((2 * memory + 1,), 8).double()
    given = move, pairs, factors, step
    (at, slope, *made), _, _ = both(lbfgs_triton, lbfgs_passes, "combined", *given, limit=LIMIT)
    x, gradient = (tried, tried_gradient) if accepted else (x, gradient)
    for got, wanted in ((at, x), (slope, gradient)):
        assert all(torch.equal(part.float(), wanted) for part in got)
    trial, predicted, codes, sizes = made
    assert gap(*trial) < 3e-6  # sums of up to 21 terms in float32
    assert abs(float(predicted[0] - predicted[1])) <= 3e-6 * float(gradient.norm() * (trial[1] - x).norm()) + 1e-6
    assert gap(*sizes) < 1e-5
    assert float((codes[0] - codes[1]).abs().max()) <= 1


@pytest.mark.parametrize("uphill", [False, True])
@pytest.mark.parametrize("first", [YES, NO])
@pytest.mark.parametrize(
    ("age", "slot", "flat"), [([0], 0, []), ([3, 1, 4, 0, 2], 3, []), ([3, 5, 4, 1, 2], 3, [1]), ([2, 1, 3], 1, [1])]
)
def test_lbfgs_factors(age, slot, flat, first, uphill):
    """Of ten levels with a curvature each; along the pairs `flat` the loss curves downward."""
    m, curvature = len(age), numbers((10,), 3).abs() + 0.1
    changes, q = numbers((m, 10), 4), numbers((1, 10), 5)
    bends = changes * curvature
    bends[flat] *= -1
    rows = torch.cat([changes, bends, q]).double()
    gram = rows @ rows.T
    products = lbfgs_passes.Products(gram, q.abs().sum().double(), torch.tensor(7.0).double())
    given = torch.tensor(age), torch.tensor([slot]), first
    if uphill:  # as rounding may leave it: less along q than the pairs take away
        products.gram[-1, -1] = -1e6
    wanted, wanted_age = lbfgs_passes.factors(products, *given, first_change=0.3)
    here = lbfgs_passes.Products(*(part.to(DEVICE) for part in products))
    got, got_age = lbfgs_triton.factors(here, *(part.to(DEVICE) for part in given), first_change=0.3)
    assert got_age.tolist() == wanted_age.tolist()
    assert torch.allclose(got.cpu(), wanted, rtol=1e-7, atol=1e-12)  # first_change reaches a card as float32
    assert int(wanted_age[slot]) == (age[slot] if bool(first) else 0 if slot in flat else max(age) + 1)
    assert (got.tolist() == [0.0] * (2 * m) + [1.0]) == uphill
    if len(flat) == 0 and m > 1 and not uphill:  # the newest pair is met: H y = s
        newest = int(wanted_age.argmax())
        towards = rows[m + newest][None]
        rows = torch.cat([rows[:-1], towards])
        products = products._replace(gram=rows @ rows.T)
        found = lbfgs_passes.factors(products, wanted_age, given[1], YES, first_change=0.3)[0]
        assert torch.allclose(found @ rows, changes[newest].double(), atol=1e-9)


def eight_bits_of(rows):
    codes, scales = zip(*(encoded(row) for row in rows), strict=True)
    return Coded(torch.stack(codes, 1), torch.stack(scales, 1))
