"""The kernel for rows that spread, against the reference: on the card where there is one, else through Triton's
interpreter."""

import dataclasses

import pytest
import torch
from test_diverging_light import AIR, optics

from gpu_device import DEVICE, ON_CARD
from lightlathe.beams import Diverging
from lightlathe.dose import Backend, Directions, DoseOperator
from lightlathe.dose.kernels import reference_spread, triton_spread
from lightlathe.quantities import Grid
from operators import gap, random

CASES = {  # columns, rows, pixel, voxel, grid
    "coarse rows": (9, 3, 1.1, 0.7, (7, 8, 5)),
    "fine rows": (13, 7, 0.4, 0.9, (6, 7, 4)),
    "equal, more slices than a program takes": (5, 34, 0.8, 0.8, (4, 5, 37)),
}


@pytest.fixture(autouse=True)
def large_programs(monkeypatch):
    """Programs for the interpreter, which takes one after the other; on a card as they are."""
    if not ON_CARD:
        monkeypatch.setattr(triton_spread, "COLUMNS", {"deposit": 64, "collect": 16})


@pytest.mark.parametrize(
    ("name", "dtype"), [*((name, torch.float64) for name in CASES), ("coarse rows", torch.float32)]
)
def test_both_directions_are_the_references_to_rounding(name, dtype):
    """Sums of some hundred terms in another order: 1e-15 of the norm in float64, 1e-7 in float32; a batch of two."""
    columns, rows, pixel, voxel, shape = CASES[name]
    beam = Diverging(distance_mm=60.0 if rows > 20 else 12.0, lens_height_mm=1.3, lens_offset_mm=0.6)
    light = optics(beam, 3.0, 0.2, columns, rows, pixel, 3, AIR, axis_offset_mm=0.17)
    backend = Backend("triton" if dtype == torch.float32 else "triton_double", DEVICE, dtype)
    a = DoseOperator(light, Grid(shape, voxel), backend, directions=Directions(finer=2))
    views, spread = a.views, a.views.spread
    given = random(views.view_shape(2 * spread.planes), dtype), random(views.dose_shape(2 * spread.slices), dtype, 1)
    allowed = 1e-14 if dtype == torch.float64 else 2e-6
    for x, name_ in zip(given, ("deposit", "collect"), strict=True):
        found = getattr(triton_spread, name_)(x.to(DEVICE), views, 0.37)
        assert gap(found, getattr(reference_spread, name_)(x.double(), views, 0.37)) < allowed
        if ON_CARD:  # the interpreter runs one thing after the other
            assert torch.equal(found, getattr(triton_spread, name_)(x.to(DEVICE), views, 0.37))
    p, d = random(a.pattern_shape, dtype).to(DEVICE), random(a.dose_shape, dtype, 1).to(DEVICE)
    left, right = (a(p).double() * d).sum(), (p * a.transpose(d).double()).sum()
    assert abs(float(left - right)) < (1e-12 if dtype == torch.float64 else 1e-5) * float(a(p).norm() * d.norm())


@pytest.mark.skipif(not ON_CARD, reason="takes a card")
def test_real_sizes_on_a_card():
    light = optics(Diverging(distance_mm=150.0), 10.0, 0.05, 200, 160, 0.1, 8)
    a = DoseOperator(light, Grid((200, 200, 160), 0.1), Backend(device=DEVICE, dtype=torch.float32))
    assert a.kernel == "triton"
    exact = DoseOperator(light, a.grid, Backend("reference", DEVICE, torch.float64))
    p, d = random(a.pattern_shape).to(DEVICE), random(a.dose_shape, seed=1).to(DEVICE)
    assert gap(a(p.float()), exact(p)) < 2e-6
    assert gap(a.transpose(d.float()), exact.transpose(d)) < 2e-6


def test_what_it_does_not_take(monkeypatch):
    a = DoseOperator(optics(Diverging(distance_mm=30.0)), Grid((5, 5, 3), 0.4), Backend(dtype=torch.float64))
    assert "float32 or float64" in str(triton_spread.why_not(a.views, DEVICE, torch.float16))
    wide = dataclasses.replace(a.views, nx=5000)
    assert "4096 voxels across" in str(triton_spread.why_not(wide, DEVICE, torch.float64))
    assert triton_spread.fault(a.views, DEVICE, torch.float64) is None
    monkeypatch.setattr(triton_spread, "deposit", lambda *given: 1.001 * reference_spread.deposit(*given))
    assert "off by 1.0e-03 in the dose" in str(triton_spread.fault(a.views, DEVICE, torch.float64))
