"""Sparse maps along the column axis: the same as their matrix, on the compiled path and in plain torch."""

import pytest
import torch

from lightlathe.dose import across
from lightlathe.dose.across import Across
from lightlathe.dose.taps import interpolation
from operators import random


@pytest.fixture(params=["compiled", "torch"])
def applied(request, monkeypatch):
    """Makes `_apply` take the path for CPUs or that for all devices."""
    if request.param == "torch":
        monkeypatch.setattr(across, "_apply", across._plain)
    return request.param


def some() -> Across:
    places = torch.arange(11).double()
    return Across.of(interpolation(places, torch.linspace(-1, 12, 17, dtype=torch.float64), 1.0, 1.0))


def matrix(taps) -> torch.Tensor:
    return taps.apply(torch.eye(taps.inputs, dtype=torch.float64)).T


def test_forward_and_transpose_are_the_matrix_and_its_transpose(applied):
    map_, x, y = some(), random((2, 3, 17, 5), torch.float64), random((2, 3, 11, 5), torch.float64)
    m = matrix(map_.taps)
    torch.testing.assert_close(map_.forward(x), torch.einsum("bc,nacr->nabr", m, x), rtol=0, atol=1e-13)
    torch.testing.assert_close(map_.transpose(y), torch.einsum("bc,nabr->nacr", m, y), rtol=0, atol=1e-13)


def test_no_bin_is_brighter_than_stated():
    map_ = some()
    assert float(map_.forward(torch.ones(1, 17, 1, dtype=torch.float64)).amax()) <= map_.most * (1 + 1e-12)
