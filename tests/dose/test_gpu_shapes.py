"""Finer bins, pixels with a profile and light that ends at inserts, in the kernel for compute capability 9.0."""

import math
from dataclasses import replace

import pytest
import torch
from rods import rod, shadowed

from gpu_device import DEVICE, ON_CARD
from lightlathe.dose import Backend, DoseOperator, Views
from lightlathe.dose.footprint import profile_of
from lightlathe.dose.kernels import choose, reference
from lightlathe.quantities import Footprint, Grid
from operators import gap, operator

ALLOWED = 7e-4  # as in test_gpu_kernels.py, where the reason is given
hopper = pytest.mark.skipif(
    not (ON_CARD and torch.cuda.get_device_capability() == (9, 0)), reason="takes a card of compute capability 9.0"
)
PIXELS = {
    "square": (Footprint("square"), 5),
    "blur of 1 pixel": (Footprint("square", sigma=1 / 2.3548), 2),
    "blur of 2 pixels": (Footprint("square", sigma=2 / 2.3548), 2),
}

BLURRED = profile_of(*PIXELS["blur of 1 pixel"])


def turn(angles: int, first: float = 0.0) -> torch.Tensor:
    return first + torch.arange(angles, dtype=torch.float64) * (math.tau / angles)


def with_ends(slices: int, rods, voxels=(37, 40), **given) -> Views:
    """Bins `pixel` wide (mm, voxels of 1 mm) and rods (place, radius, slices)."""
    grid = Grid((*voxels, slices), 1.0)
    settings = {"columns": 41, "rows": slices, "pixel": 1.0, "angles": 14, "radius": 18.5, "absorption": 0.03} | given
    covered = [rod(grid, radius, at, which) for at, radius, which in rods]
    return replace(shadowed(covered, grid.shape, 1.0, **settings).views, precision="half")


CASES = {  # name: views, slices
    "bins of 0.67 voxels": (Views(turn(22, 0.1), 61, 2 / 3, 43, 38, 1.0, 20.0, 0.03, "half"), 19),
    "bins of half a voxel": (Views(turn(10), 90, 0.5, 43, 48, 1.0, 20.0, 0.03, "half"), 130),
    "fine bins off the axis": (Views(turn(7, 0.2), 70, 0.6, 43, 38, 1.0, 20.0, 0.03, "half", middle_mm=1.7), 5),
    "fine bins, narrower than the vial": (Views(turn(8), 31, 0.6, 50, 50, 1.0, 25.0, 0.03, "half"), 8),
    **{
        name: (Views(turn(14, 0.3), 39, 1.0, 43, 48, 1.0, 20.0, 0.03, "half", profile=profile_of(*pixel)), 21)
        for name, pixel in PIXELS.items()
    },
    "blur off the axis, narrower than the vial": (
        Views(turn(5), 17, 1.1, 43, 48, 1.0, 20.0, 0.03, "half", middle_mm=-2.3, profile=BLURRED), 3
    ),
    "blurred, finer columns": (Views(turn(6), 60, 0.7, 40, 43, 1.0, 20.0, 0.03, "half", profile=BLURRED), 3),
    "a rod": (with_ends(24, [((2.2, 1.1), 6.0, slice(0, 24))]), 24),
    "a rod, finer bins": (with_ends(24, [((2.2, 1.1), 6.0, slice(0, 24))], pixel=0.6, columns=63), 24),
    "a rod off the axis of the bins": (with_ends(9, [((0, 0), 5.0, slice(0, 9))], axis_offset=0.8, angles=9), 9),
    "rods in some slices": (
        with_ends(150, [((-4, 3), 4.0, slice(3, 45)), ((5, 2), 6.0, slice(52, 145))], angles=6), 150
    ),
    "a cone": (with_ends(70, [((1.5, -1), 2 + 0.1 * k, slice(k, k + 1)) for k in range(70)], angles=22), 70),
    "a cone off the axis of the bins": (
        with_ends(19, [((-6, 4), 3 + 0.3 * k, slice(k, k + 1)) for k in range(17)], axis_offset=0.8, angles=9), 19
    ),
    "a cone in coarse bins": (
        with_ends(20, [((2, 1), 3 + 0.3 * k, slice(k, k + 1)) for k in range(20)], pixel=1.7, columns=25), 20
    ),
    "a cone around bent rods, narrow light": (
        with_ends(40, [((0.2 * k, 5 - 0.3 * k), 2.5, slice(k, k + 1)) for k in range(40)], columns=19), 40
    ),
    "rods in some slices, finer bins": (
        with_ends(50, [((-4, 3), 4.0, slice(3, 25)), ((5, 2), 6.0, slice(29, 45))], angles=6, pixel=0.6, columns=61), 50
    ),
    "no absorption": (with_ends(8, [((2.2, 1.1), 6.0, slice(0, 8))], absorption=0.0), 8),
    "a rod through the vial's wall": (with_ends(5, [((17, 3), 6.0, slice(0, 5))]), 5),
}  # fmt: skip


@hopper
@pytest.mark.parametrize("case", CASES)
def test_both_directions_agree_with_the_reference(case, monkeypatch):
    views, slices = CASES[case]
    module = choose("hopper", views, DEVICE, torch.float32)[1]
    generator = torch.Generator().manual_seed(7)
    light = torch.rand(views.view_shape(slices), generator=generator)
    dose = torch.randn(views.dose_shape(slices), generator=generator)
    empty = torch.empty

    def filled(*shape, **given):  # scratch memory holds anything
        found = empty(*shape, **given)
        return found.fill_(math.nan) if found.is_floating_point() else found.fill_(1)

    monkeypatch.setattr(torch, "empty", filled)
    deposited, collected = module.deposit(light.to(DEVICE), views), module.collect(dose.to(DEVICE), views)
    monkeypatch.undo()
    assert gap(deposited, reference.deposit(light.double(), views)) < ALLOWED
    assert gap(collected, reference.collect(dose.double(), views)) < ALLOWED
    assert torch.equal(deposited, module.deposit(light.to(DEVICE), views))
    assert torch.equal(collected, module.collect(dose.to(DEVICE), views))


@hopper
@pytest.mark.parametrize("case", CASES)
def test_adjoint(case):
    """<A g, v> = <g, A' v> as a share of the norms, of numbers that halves hold exactly; see test_gpu_kernels.py."""
    views, slices = CASES[case]
    module = choose("hopper", views, DEVICE, torch.float32)[1]
    generator = torch.Generator().manual_seed(3)
    light = torch.rand(views.view_shape(slices), generator=generator).half().float()
    voxels = torch.rand(views.dose_shape(slices), generator=generator).half().float()
    deposited = module.deposit(light.to(DEVICE), views).double().cpu()
    collected = module.collect(voxels.to(DEVICE), views).double().cpu()
    difference = (deposited * voxels).sum() - (light * collected).sum()
    assert abs(float(difference / (deposited.norm() * voxels.norm()))) < 2e-6


def of_pixels(name: str, kernel: str, **settings) -> DoseOperator:
    footprint, _ = PIXELS[name]
    plain = operator((43, 40, 12), 0.5, angles=16, columns=45, rows=12, pixel=0.5, radius=10.0, absorption=0.05)
    backend = Backend(kernel, precision="half", **settings)
    return DoseOperator(replace(plain.optics, footprint=footprint), plain.grid, backend)


@hopper
@pytest.mark.parametrize("name", PIXELS)
def test_operators_take_it_for_pixels_and_give_the_same(name):
    a, exact = of_pixels(name, "auto", device=DEVICE), of_pixels(name, "reference", dtype=torch.float64)
    assert a.kernel == "hopper"
    assert a.views.profile is not None
    assert exact.views.profile is None
    generator = torch.Generator().manual_seed(5)
    p, d = torch.rand(a.pattern_shape, generator=generator), torch.randn(a.dose_shape, generator=generator)
    assert gap(a(p.to(DEVICE)), exact(p.double())) < ALLOWED
    assert gap(a.transpose(d.to(DEVICE)), exact.transpose(d.double())) < ALLOWED
    told = a.within(1.0)
    assert gap(told(p.to(DEVICE)), exact(p.double())) < ALLOWED


def test_more_cross_sections_than_calls_go_elsewhere():
    many = [((0.02 * k, 0.0), 3 + 0.2 * k, slice(k, k + 1)) for k in range(18)]
    from lightlathe.dose.kernels import cuda_hopper

    finer = with_ends(18, many, pixel=0.6)
    assert "cross-sections" in str(cuda_hopper.why_not(finer, torch.device("cuda"), torch.float32))
    assert "bins at most" in str(
        cuda_hopper.why_not(replace(CASES["a rod"][0], bin_mm=0.2, ends=None), torch.device("cuda"), torch.float32)
    )
