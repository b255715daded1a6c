"""Arrays beyond 2^31 numbers, on a card of 80 GB.

Pairs reach beyond 2^31 bytes, as they do from some 700 x 700 x 700 voxels on.
"""

import pytest
import torch

from gpu_device import ON_CARD
from lightlathe.solve import BoundedLBFGS
from lightlathe.solve.gpu import lbfgs as lbfgs_triton
from lightlathe.solve.moves import Coded, Move, Point
from lightlathe.solve.reference.lbfgs import Products

CARD = torch.device("cuda")


@pytest.mark.skipif(not ON_CARD, reason="needs a CUDA card of 80 GB")
def test_pairs_that_reach_beyond_2_to_the_31():
    """The same numbers in few levels and, repeated, in many: the products grow by the count, the steps are the same."""
    few, times, m = (4, 128, 512), 2048, 5
    generator = torch.Generator(CARD).manual_seed(1)
    point = [torch.rand(few, device=CARD, generator=generator) - shift for shift in (0, 0.5, 0, 0.5)]
    memory = BoundedLBFGS(memory=m).begin(point[0], None)  # pyright: ignore
    memory["pairs"].random_(-127, 128, generator=generator)
    memory["scales"].uniform_(0.5, 1, generator=generator)
    memory["change"].random_(-127, 128, generator=generator)
    memory["change_scales"].fill_(0.7)
    factors = torch.rand(2 * m + 1, device=CARD, generator=generator, dtype=torch.float64)
    yes, slot = torch.ones((), device=CARD, dtype=torch.bool), torch.tensor([m - 1], device=CARD)
    step = torch.tensor(1e-4, device=CARD, dtype=torch.float64)

    def run(count: int) -> tuple[Products, torch.Tensor, list[torch.Tensor]]:
        tried, tried_gradient, x, gradient = (part.repeat(count, 1, 1) for part in point)
        pairs = Coded(memory["pairs"].repeat(count, 1, 1), memory["scales"].repeat(count, 1))
        change = Coded(memory["change"].repeat(count, 1), memory["change_scales"].repeat(count))
        move = Move(yes, Point(tried, tried_gradient), Point(x, gradient))
        products = lbfgs_triton.learnt(move, yes, slot, change, pairs, limit=2.0)
        _, trial, _, change = lbfgs_triton.combined(move, pairs, factors, step, limit=2.0)
        assert count == 1 or pairs.codes.numel() > 2**31
        return products, trial[-few[0] :], [pairs.codes[-100:], change.codes[-100:], change.scales[-100:]]

    one, trial, written = run(1)
    many, last, other = run(times)
    assert torch.equal(trial, last)
    assert all(torch.equal(a, b) for a, b in zip(written, other, strict=True))
    for a, b in zip(one, many, strict=True):
        assert torch.allclose(times * a, b, rtol=1e-4, atol=1e-4 * float((times * a).abs().max()))
