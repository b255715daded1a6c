"""Batches, torch.func and pickles of the operator, each against a loop over single patterns."""

import multiprocessing
import pickle
from concurrent.futures import ProcessPoolExecutor

import pytest
import torch

from lightlathe.dose import Turning
from lightlathe.errors import KernelUnavailable, ShapeError
from operators import operator

# torch compiles its own table for forward derivatives by a function that it has deprecated
pytestmark = pytest.mark.filterwarnings("ignore:.*torch.jit.script:DeprecationWarning")

CASES = {
    "rows are slices": {},
    "rows onto slices first": {"pixel": 0.2, "columns": 30, "rows": 20},
    "slices from rows last": {"pixel": 0.6, "columns": 9, "rows": 3},
}


@pytest.fixture(params=CASES.values(), ids=CASES)
def a(request):
    return operator(**request.param)


def patterns(a, *batch, seed=0):
    return torch.rand(*batch, *a.pattern_shape, dtype=a.dtype, generator=torch.Generator().manual_seed(seed))


def doses(a, *batch, seed=1):
    return torch.rand(*batch, *a.dose_shape, dtype=a.dtype, generator=torch.Generator().manual_seed(seed))


@pytest.mark.parametrize("turning", [False, True])
def test_a_batch_is_what_a_loop_gives(a, turning):
    a = Turning(a, 3) if turning else a
    p, d = patterns(a, 3), doses(a, 3)
    torch.testing.assert_close(a(p), torch.stack([a(one) for one in p]), rtol=1e-14, atol=1e-16)
    torch.testing.assert_close(a.transpose(d), torch.stack([a.transpose(one) for one in d]), rtol=1e-14, atol=1e-16)


def test_the_gradient_of_a_batch(a):
    p, w = patterns(a, 2).requires_grad_(), doses(a, 2)
    (a(p).square() * w).sum().backward()
    assert p.grad is not None
    expected = torch.stack([a.transpose(2 * weight * a(one)) for one, weight in zip(p.detach(), w, strict=True)])
    torch.testing.assert_close(p.grad, expected, rtol=1e-12, atol=1e-14)


def test_gradcheck_once_and_twice():
    a = operator((5, 5, 2), 0.5, columns=5, rows=2, angles=4)
    p = patterns(a, 2).requires_grad_()
    assert torch.autograd.gradcheck(a, p)
    assert torch.autograd.gradgradcheck(lambda x: a(x).square(), p)


@pytest.mark.parametrize("transpose", [False, True])
def test_jvp_is_the_map_of_the_tangent(a, transpose):
    f, made = (a.transpose, doses) if transpose else (a, patterns)
    x, tangent = made(a), made(a, seed=5)
    value, moved = torch.func.jvp(f, (x,), (tangent,))[:2]
    torch.testing.assert_close(value, f(x))
    torch.testing.assert_close(moved, f(tangent))


def test_jvp_does_not_rely_on_the_light_that_patterns_are_within():
    a = operator().within(1.0)
    tangent = 1e3 * patterns(a)
    torch.testing.assert_close(torch.func.jvp(a, (patterns(a),), (tangent,))[1], a(tangent))


@pytest.mark.parametrize("axis", [0, 2])
def test_vmap_is_the_loop(a, axis):
    p = patterns(a, 3)
    got = torch.func.vmap(a, in_dims=axis)(p.movedim(0, axis))
    torch.testing.assert_close(got, torch.stack([a(one) for one in p]), rtol=1e-14, atol=1e-16)
    nested = torch.func.vmap(torch.func.vmap(a))(p[None].expand(2, *p.shape))
    torch.testing.assert_close(nested[1], got, rtol=1e-14, atol=1e-16)


def test_vmap_of_gradients_is_the_loop(a):
    target, p = doses(a), patterns(a, 3)
    gradient = torch.func.grad(lambda x: (a(x) - target).square().sum())
    expected = torch.stack([2 * a.transpose(a(one) - target) for one in p])
    torch.testing.assert_close(torch.func.vmap(gradient)(p), expected)


def test_the_hessian_of_a_square_is_the_map_there_and_back():
    a = operator((5, 5, 1), 0.5, columns=5, rows=1, angles=2)
    p = patterns(a)
    matrix = torch.func.hessian(lambda x: a(x).square().sum() / 2)(p).reshape(p.numel(), p.numel())
    tangent = patterns(a, seed=3)
    torch.testing.assert_close(matrix @ tangent.flatten(), a.transpose(a(tangent)).flatten())


def test_a_wrong_batch_names_its_axes():
    a = operator()
    with pytest.raises(ShapeError, match="batch=2, angle="):
        a(patterns(a, 2)[:, :, :-1])
    with pytest.raises(ShapeError, match=r"expected \(angle="):
        a(patterns(a, 1, 1))


@pytest.mark.parametrize("turning", [False, True])
def test_a_pickle_comes_back_the_same(a, turning):
    a = Turning(a, 2) if turning else a.within(2.0)
    back = pickle.loads(pickle.dumps(a))
    p, d = patterns(a), doses(a)
    assert torch.equal(back(p), a(p))
    assert torch.equal(back.transpose(d), a.transpose(d))
    assert back.scaled(3.0).gain == 3.0
    assert back.kernel == a.kernel


def test_a_pickle_crosses_processes():
    a = operator((5, 5, 2), 0.5, columns=5, rows=2, angles=4)
    p = patterns(a)
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as others:
        assert torch.equal(others.submit(a, p).result(), a(p))


def test_a_pickle_whose_kernel_is_not_here_says_so(monkeypatch):
    a = operator()
    written = pickle.dumps(a)
    monkeypatch.setattr(a._module, "why_not", lambda *_: "there is no such card")
    with pytest.raises(KernelUnavailable, match="there is no such card"):
        pickle.loads(written)
