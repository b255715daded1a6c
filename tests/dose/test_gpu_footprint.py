"""Many bins on cards: places beyond 2048 bins in halves, on the card or through Triton's interpreter."""

from dataclasses import replace

import pytest
import torch
from test_gpu_kernels import ALLOWED, views_of

from gpu_device import DEVICE
from lightlathe.dose.kernels import choose, reference
from operators import gap


@pytest.mark.parametrize("middle", [900.3, -950.7])
def test_places_far_out_are_as_exact_as_halves(middle):
    views, slices = views_of("pairs", "half")
    views = replace(views, middle_mm=middle * views.bin_mm, bins=2 * round(abs(middle)) + views.bins)
    _, module = choose("triton", views, DEVICE, torch.float32)
    generator = torch.Generator().manual_seed(2)
    light = torch.rand(views.view_shape(slices), generator=generator)
    dose = torch.rand(views.dose_shape(slices), generator=generator)
    assert gap(module.deposit(light.to(DEVICE), views), reference.deposit(light.double(), views)) < ALLOWED["half"]
    assert gap(module.collect(dose.to(DEVICE), views), reference.collect(dose.double(), views)) < ALLOWED["half"]
