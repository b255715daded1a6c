"""Kernels for cards weigh light by depth as the reference does: on the card, else through Triton's interpreter."""

import pytest
import torch
from test_defocus import optics

from gpu_device import DEVICE
from lightlathe.dose import Backend, DoseOperator
from lightlathe.quantities import Defocus, Grid
from operators import gap, random


@pytest.mark.parametrize(("kernel", "dtype", "most"), [
    ("triton", torch.float32, 2e-6), ("triton_double", torch.float64, 1e-13),
])  # fmt: skip
def test_both_directions_are_the_references(kernel, dtype, most):
    grid, light = Grid((9, 8, 3), 0.25), optics(Defocus(0.15, 0.4), rows=3, angles=2)
    fast = DoseOperator(light, grid, Backend(kernel, DEVICE, dtype, "single"))
    plain = DoseOperator(light, grid, Backend("reference", dtype=torch.float64))
    x, d = random(fast.pattern_shape, dtype), random(fast.dose_shape, dtype)
    assert gap(fast(x.to(DEVICE)), plain(x.double())) < most
    assert gap(fast.transpose(d.to(DEVICE)), plain.transpose(d.double())) < most
