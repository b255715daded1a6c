"""Sums and curves in a fixed order: right to the last digits, and the same however the work is shared out."""

import math

import pytest
import torch

from lightlathe.support import sums

SHAPES = [(1, 1, 1), (7, 5, 3), (130, 129, 37)]  # the last: more numbers than one thread takes at a time
KINDS = [torch.float32, torch.float64]


def numbers(shape, dtype):
    return torch.randn(shape, generator=torch.Generator().manual_seed(3), dtype=torch.float64).to(dtype)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("dtype", KINDS)
def test_sums_are_exact_to_the_rounding_of_float64(shape, dtype):
    """Against math.fsum, which rounds once. n additions lose n * 2^-53 of the sum of moduli at most (Higham, Accuracy
    and Stability of Numerical Algorithms, 2nd ed., section 4.2); float32 results are rounded once more."""
    x = numbers(shape, dtype)
    values, size = x.flatten().tolist(), float(x.abs().sum())
    few = len(values) * 2**-53 * size
    last = torch.finfo(dtype).eps
    assert float(sums.exact_total(x)) == pytest.approx(math.fsum(values), abs=few)
    assert float(sums.total(x)) == pytest.approx(math.fsum(values), abs=few, rel=last)
    assert float(sums.mean(x)) == pytest.approx(math.fsum(values) / len(values), abs=few, rel=2 * last)
    squares = math.fsum(v * v for v in values)
    assert float(sums.dot(x, x)) == pytest.approx(squares, rel=len(values) * 2**-53)
    for found, column in zip(sums.by_slice(x), x.flatten(0, 1).T, strict=True):
        assert float(found) == pytest.approx(math.fsum(column.tolist()), abs=few, rel=last)


def test_the_logarithm_of_a_sum_is_that_of_torch():
    """Far apart, equal, nothing but a floor, nothing at all, not a number."""
    x = torch.tensor([[-1e4, 3.0, -math.inf, -math.inf, math.nan], [2.0, 3.0, -math.inf, 700.0, 0.0]]).double()
    floor = torch.full((1, 5), -10.0).double()
    here = torch.logsumexp(torch.cat([x, floor]), 0)
    torch.testing.assert_close(sums.log_of_sum(x, floor=-10.0), here, equal_nan=True)
    torch.testing.assert_close(sums.log_of_sum(x), torch.logsumexp(x, 0), equal_nan=True)


CURVES = {
    "sigmoid": (sums.sigmoid, torch.sigmoid, numbers((50_001,), torch.float64) * 30),
    "softplus": (
        sums.softplus,
        lambda x: torch.logaddexp(x, torch.zeros_like(x)),
        numbers((50_001,), torch.float64) * 30,
    ),
}
for exponent in (1.0, 1.5, 2.0, 3.0, 8.0, 100.0):
    CURVES[f"power {exponent}"] = (
        lambda x, exponent=exponent: sums.power(x, exponent),
        lambda x, exponent=exponent: x.pow(exponent),
        numbers((50_001,), torch.float64).relu(),
    )


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("dtype", KINDS)
def test_curves_and_their_slopes_are_those_of_torch(name, dtype):
    """To 300 last digits: the logarithm of a power of 100 is off by 100 times the last digit of x's, which is 3."""
    curve, wanted, x = CURVES[name]
    x = x.to(dtype).requires_grad_()
    close = {"rtol": 300 * torch.finfo(dtype).eps, "atol": torch.finfo(dtype).tiny ** 0.5}
    torch.testing.assert_close(curve(x), wanted(x), **close)
    slopes = (torch.autograd.grad(f(x).sum(), x)[0] for f in (curve, wanted))
    torch.testing.assert_close(*slopes, **close)


@pytest.mark.parametrize("name", ["total", "mean", "by_slice", "log_of_sum", "sigmoid", "softplus", "power"])
def test_derivatives(name):
    """By differences, twice; a power of 2.5 and a smooth point of each."""
    x = (numbers((4, 3, 2), torch.float64).abs() + 0.1).requires_grad_()
    functions = {"power": lambda x: sums.power(x, 2.5)}
    function = functions.get(name, getattr(sums, name))
    assert torch.autograd.gradcheck(function, x)
    assert torch.autograd.gradgradcheck(function, x)


@pytest.mark.parametrize("dtype", KINDS)
def test_a_number_does_not_know_where_its_array_ends(dtype):
    """What threads make of an array: shares that end anywhere. Torch's own exp and log are relied on as well."""
    torch_own = {"exp": torch.exp, "log": lambda x: x.abs().log()}
    for name, function in torch_own.items() | {n: curve for n, (curve, _, _) in CURVES.items()}.items():
        x = (CURVES[name][2] if name in CURVES else numbers((50_001,), torch.float64) * 20).to(dtype)
        whole = function(x)
        for first in (1, 3, 8, 21):
            for last in (first + 1, first + 7, first + 15, first + 101, first + 20_003):
                assert torch.equal(function(x[first:last].clone()), whole[first:last]), name
