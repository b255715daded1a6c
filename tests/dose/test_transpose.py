"""The transpose is the transpose: entry by entry where the whole matrix is small, else by inner products."""

import pytest
import torch
from dose_cases import CASES, runnable

from operators import dense, gap, operator, random

# float64: 1e-16 a number, sums of at most 1e5 of them. float32: 6e-8 a number, and as many.
ALLOWED = {torch.float64: 1e-12, torch.float32: 1e-5}

SMALL = ["unlike", "pixel finer", "pixel coarser", "one angle", "one column", "one row", "narrow vial",
         "off the axis, finer", "bent", "bent, finer", "bent, coarser"]  # fmt: skip


@pytest.mark.parametrize("kernel", runnable(torch.float64))
@pytest.mark.parametrize("case", SMALL)
def test_transpose_is_the_transpose(kernel, case):
    a = operator(**CASES[case], kernel=kernel)
    matrix = dense(a, a.pattern_shape)
    assert matrix.count_nonzero() > 20  # an empty matrix agrees with anything
    torch.testing.assert_close(
        dense(a.transpose, a.dose_shape), matrix.T, rtol=0, atol=1e-15
    )  # a rounding of 1 or less


def test_the_comparison_can_fail():
    a = operator()
    matrix = dense(a, a.pattern_shape)
    with pytest.raises(AssertionError):
        torch.testing.assert_close(1.001 * matrix, matrix, rtol=0, atol=1e-15)


@pytest.mark.parametrize("dtype", ALLOWED)
@pytest.mark.parametrize("case", CASES)
def test_inner_products_agree(case, dtype):
    """<A g, v> = <g, A' v>, as a share of |A g| |v|."""
    for kernel in runnable(dtype):
        a = operator(**CASES[case], kernel=kernel, dtype=dtype)
        g, v = random(a.pattern_shape, dtype, 1), random(a.dose_shape, dtype, 2)
        dose, light = a(g).double(), a.transpose(v).double()
        assert dose.any()
        off = (dose * v).sum() - (g * light).sum()
        assert abs(float(off / (dose.norm() * v.norm()))) < ALLOWED[dtype], kernel


@pytest.mark.parametrize("kernel", runnable(torch.float64))
def test_gradients_of_any_order(kernel):
    a = operator(kernel=kernel, pixel=0.4, columns=8, rows=3)
    g = random(a.pattern_shape, torch.float64, 3).requires_grad_()
    v = random(a.dose_shape, torch.float64, 4).requires_grad_()
    assert torch.autograd.gradcheck(a, g)
    assert torch.autograd.gradcheck(a.transpose, v)
    assert torch.autograd.gradgradcheck(lambda g: a(g).pow(3), g)
    assert torch.autograd.gradgradcheck(lambda v: a.transpose(v).pow(3), v)


def test_the_gradient_in_float32_is_that_of_float64():
    """Through a loss, as a design uses it. 1e-5: sums of 1e3 float32 numbers of 6e-8 each, twice."""
    settings = CASES["pixel finer"]
    grads = []
    for dtype in (torch.float32, torch.float64):
        a = operator(**settings, dtype=dtype)
        g = random(a.pattern_shape, torch.float32, 5).to(dtype).requires_grad_()
        (a(g) - 0.3).square().sum().backward()
        grads.append(g.grad)
    assert gap(*grads) < 1e-5
