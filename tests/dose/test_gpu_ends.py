"""The kernel for light that ends at inserts against the reference: on the card where there is one, else through
Triton's interpreter."""

import pytest
import torch
from rods import rod, shadowed

from gpu_device import DEVICE, ON_CARD
from lightlathe.dose.kernels import choose, reference, triton_ends
from lightlathe.quantities import Grid
from operators import gap, operator, random

# float64: sums of up to 10^3 terms in another order. float32: light and weights of 6e-8 each, of which most cancels.
ALLOWED = {torch.float64: 1e-14, torch.float32: 1e-6}
MANY = [((0.02 * k, 0.0), 0.3 + 0.02 * k, slice(k, k + 1)) for k in range(18)]  # more runs than calls of one class
CASES = {
    "a rod": (3, [((0.2, 0.1), 0.5, slice(0, 3))], {}),
    "some slices": (5, [((0.3, 0.1), 0.6, slice(0, 2)), ((-0.4, 0.3), 0.4, slice(3, 5))], {}),
    "one for each slice": (18, MANY, {"angles": 2}),
    "finer pixels off the axis": (
        1,
        [((0.3, 0.1), 0.5, slice(0, 1))],
        {"pixel": 0.11, "columns": 21, "axis_offset": 0.1},
    ),
    "partly outside": (1, [((1.0, 0.1), 0.6, slice(0, 1))], {"angles": 4}),
}


def views_of(name: str):
    slices, rods, settings = CASES[name]
    grid = Grid((11, 10, slices), 0.2)
    covered = [rod(grid, radius, at, which) for at, radius, which in rods]
    given = {"columns": 13, "rows": slices, "pixel": 0.2, "angles": 3, "radius": 1.1, "absorption": 0.2}
    return shadowed(covered, grid.shape, 0.2, **(given | settings)).views, slices


@pytest.mark.parametrize("dtype", ALLOWED)
@pytest.mark.parametrize("name", CASES)
def test_both_directions_are_the_references_to_rounding(name, dtype):
    views, slices = views_of(name)
    _, module = choose("triton_ends", views, DEVICE, dtype)
    light, dose = random(views.view_shape(slices), dtype, 1), random(views.dose_shape(slices), dtype, 2)
    deposited, collected = module.deposit(light.to(DEVICE), views, 0.37), module.collect(dose.to(DEVICE), views, 0.37)
    assert gap(deposited, reference.deposit(light.double(), views, 0.37)) < ALLOWED[dtype]
    assert gap(collected, reference.collect(dose.double(), views, 0.37)) < ALLOWED[dtype]
    if ON_CARD:  # the interpreter runs one thing after the other
        assert torch.equal(deposited, module.deposit(light.to(DEVICE), views, 0.37))
        assert torch.equal(collected, module.collect(dose.to(DEVICE), views, 0.37))


def test_batches_and_none():
    views, slices = views_of("some slices")
    light = random(views.view_shape(2 * slices), torch.float32, 1)
    both = triton_ends.deposit(light.to(DEVICE), views)
    assert gap(both, reference.deposit(light.double(), views)) < 1e-6
    assert gap(both[:, :, slices:], reference.deposit(light[:, :, slices:].double(), views)) < 1e-6
    none = torch.zeros(views.dose_shape(0), device=DEVICE)
    assert triton_ends.collect(none, views).shape == views.view_shape(0)


def test_what_it_does_not_take():
    views, _ = views_of("a rod")
    assert "float32 or float64, not torch.float16" in str(triton_ends.why_not(views, DEVICE, torch.float16))
    assert "ends at inserts, and this does not" in str(triton_ends.why_not(operator().views, DEVICE, torch.float32))
    grid = Grid((9, 8, 2), 0.5)
    bent = shadowed(rod(grid, 0.9), grid.shape, 0.5, columns=9, angles=5, radius=2.2, bend=0.1).views
    assert "parallel and evenly spaced" in str(triton_ends.why_not(bent, DEVICE, torch.float32))
