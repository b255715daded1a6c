"""Numbers in 8 bits: what is lost by them, block by block, and products of pairs taken piece by piece."""

import math

import pytest
import torch

from lightlathe.solve.eight_bits import BLOCK, TINY, blocks_of, decoded, encoded
from lightlathe.solve.moves import Coded, Move, Point
from lightlathe.solve.reference import lbfgs as lbfgs_passes


@pytest.mark.parametrize("count", [1, BLOCK, BLOCK + 1, 1000])
def test_each_number_is_off_by_half_a_step_of_its_block_at_most(count):
    values = torch.randn(count, dtype=torch.float64) * 10.0 ** torch.randint(-6, 6, (count,))
    codes, scales = encoded(values)
    assert codes.shape == (blocks_of(count), BLOCK)
    assert len(codes) == len(scales)
    back = decoded(codes, scales, torch.float64).flatten()
    assert back[count:].count_nonzero() == 0
    whole = torch.nn.functional.pad(values, (0, len(back) - count)).reshape(-1, BLOCK)
    most = whole.abs().amax(1, keepdim=True)
    off = (back.reshape(-1, BLOCK) - whole).abs() / most
    assert float(off.max()) <= 1 / 254 * (1 + 1e-5)  # scales are float32
    largest = whole.abs().argmax(1, keepdim=True)
    assert torch.allclose(back.reshape(-1, BLOCK).gather(1, largest), whole.gather(1, largest), rtol=1e-6)


def test_by_hand():
    codes, scales = encoded(torch.tensor([0.0, 127.0, -127.0, 3.4, -3.6, 0.5]))
    assert codes[0, :6].tolist() == [0, 127, -127, 3, -4, 0]  # halves to the even number
    assert scales.tolist() == [1.0]


def test_next_to_nothing_is_nothing_and_what_is_no_number_stays_so():
    for values in (torch.zeros(5), torch.full((5,), TINY)):
        codes, scales = encoded(values)
        assert decoded(codes, scales, torch.float32).count_nonzero() == 0
    codes, scales = encoded(torch.tensor([1.0, math.nan]))
    assert decoded(codes, scales, torch.float32).isnan().all()


@pytest.mark.parametrize("chunk", [None, 1, 3000, 2**18])
def test_products_and_steps_are_those_of_whole_matrices(chunk, monkeypatch):
    """Compiled, and in plain torch however many pieces; the pairs' numbers are what their codes say."""
    if chunk is not None:
        monkeypatch.setattr(lbfgs_passes, "CHUNK", chunk)
        monkeypatch.setattr(lbfgs_passes, "_gram", lbfgs_passes.gram_in_pieces)
        monkeypatch.setattr(lbfgs_passes, "_mixed", lbfgs_passes.mixed_in_pieces)
    m, shape, limit = 3, (4, 37, 11), 1.5
    generator = torch.Generator().manual_seed(1)
    x, tried, g, tried_g = (torch.randn(shape, generator=generator, dtype=torch.float64) for _ in range(4))
    x, tried = x.abs().clamp(max=limit), (tried - 0.3).clamp(0, limit)
    rows = [encoded(torch.randn(x.numel(), generator=generator)) for _ in range(2 * m)]
    pairs, scales = kept = Coded(*(torch.stack(part, 1) for part in zip(*rows, strict=True)))
    change, yes, slot = encoded((tried - x).flatten()), torch.tensor(True), torch.tensor([1])
    move = Move(yes, Point(tried, tried_g), Point(x, g))
    got = lbfgs_passes.learnt(move, yes, slot, change, kept, limit=limit)
    for row, new in ((1, change), (m + 1, encoded((tried_g - g).flatten()))):
        assert torch.equal(pairs[:, row], new[0])
        assert torch.equal(scales[:, row], new[1])
    whole = decoded(pairs, scales, torch.float64).transpose(0, 1).flatten(1)[:, : x.numel()]
    free = (((tried > 0) | (tried_g < 0)) & ((tried < limit) | (tried_g > 0))).flatten()
    assert 0 < int(free.sum()) < x.numel()
    seen = torch.cat([whole, tried_g.reshape(1, -1)]) * free
    wanted = seen @ seen.T
    wanted[:m, :m] = wanted[:m, :m].diagonal().diag()
    assert torch.allclose(got.gram, wanted, rtol=1e-12, atol=1e-9)
    assert float(got.size) == pytest.approx(float(seen[-1].abs().sum()), rel=1e-12)
    assert float(got.levels) == pytest.approx(float(tried.sum()), rel=1e-12)

    factors, step = torch.randn(2 * m + 1, generator=generator, dtype=torch.float64), torch.tensor(0.7)
    (at, slope), trial, predicted, change = lbfgs_passes.combined(move, kept, factors, step, limit=limit)
    assert torch.equal(at, tried)
    assert torch.equal(slope, tried_g)
    moved = (tried.flatten() - step.double() * (factors @ torch.cat([whole, seen[-1:]])) * free).clamp(0, limit)
    assert torch.allclose(trial.flatten(), moved, rtol=1e-12, atol=1e-12)
    assert float(predicted) == pytest.approx(float((tried_g * (trial - tried)).sum()), rel=1e-12)
    assert torch.equal(change[0], encoded((trial - tried).flatten())[0])
