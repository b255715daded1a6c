"""The kernel in float64 against the reference: on the card where there is one, else through Triton's interpreter."""

import pytest
import torch
from test_gpu_kernels import CASES, LINES, views_of

from gpu_device import DEVICE, ON_CARD
from lightlathe.dose.kernels import choose, reference, triton_double
from operators import gap

SHORT = ["pairs", "far off the axis, any angles", "one of each", "one column", "one row of voxels", "fine bins"]
STRAIGHT = [case for case in CASES if case not in LINES and (ON_CARD or case in SHORT)]  # the interpreter is slow


@pytest.mark.parametrize("case", STRAIGHT)
def test_both_directions_are_the_references_to_rounding(case):
    """Sums of up to 10^3 terms, in another order: 1e-15 of the norm expected."""
    views, slices = views_of(case, "single")
    _, module = choose("triton_double", views, DEVICE, torch.float64)
    generator = torch.Generator().manual_seed(7)
    light = torch.rand(views.view_shape(slices), generator=generator, dtype=torch.float64)
    dose = torch.randn(views.dose_shape(slices), generator=generator, dtype=torch.float64)
    deposited, collected = module.deposit(light.to(DEVICE), views, 0.37), module.collect(dose.to(DEVICE), views, 0.37)
    assert gap(deposited, reference.deposit(light, views, 0.37)) < 1e-14
    assert gap(collected, reference.collect(dose, views, 0.37)) < 1e-14
    if ON_CARD:  # the interpreter runs one thing after the other
        assert torch.equal(deposited, module.deposit(light.to(DEVICE), views, 0.37))
        assert torch.equal(collected, module.collect(dose.to(DEVICE), views, 0.37))


def test_more_slices_than_a_program_takes_and_none():
    views, _ = views_of("pairs", "single")
    dose = torch.rand(views.dose_shape(37), generator=torch.Generator().manual_seed(3), dtype=torch.float64)
    assert gap(triton_double.collect(dose.to(DEVICE), views), reference.collect(dose, views)) < 1e-14
    light = torch.rand(views.view_shape(37), generator=torch.Generator().manual_seed(3), dtype=torch.float64)
    assert gap(triton_double.deposit(light.to(DEVICE), views), reference.deposit(light, views)) < 1e-14
    none = torch.zeros(views.dose_shape(0), dtype=torch.float64, device=DEVICE)
    assert triton_double.collect(none, views).shape == views.view_shape(0)


def test_what_it_does_not_take():
    views, _ = views_of("bent", "single")
    assert "parallel and evenly spaced" in str(triton_double.why_not(views, DEVICE, torch.float64))
    plain, _ = views_of("pairs", "single")
    assert "float64, not torch.float32" in str(triton_double.why_not(plain, DEVICE, torch.float32))
