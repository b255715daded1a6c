"""Pixels by their profile, as the fast kernel for cards takes them: the light that finer bins give, and its adjoint."""

from dataclasses import replace

import pytest
import torch

from lightlathe.dose.footprint import convolved, onto_bins, profile_of
from lightlathe.dose.kernels import choose, reference, takes_shapes
from lightlathe.dose.layers import layers
from lightlathe.dose.to_views import shaped
from lightlathe.errors import KernelUnavailable
from lightlathe.quantities import Footprint
from operators import gap, operator, random

FOOTPRINTS = {"square": Footprint("square"), "blurred": Footprint("square", sigma=0.5), "wide": Footprint(sigma=1.1)}
each = pytest.mark.parametrize("footprint", FOOTPRINTS.values(), ids=FOOTPRINTS)


def plain():
    return operator((9, 8, 3), 0.5, angles=5, columns=11, rows=3, pixel=0.45, radius=2.2, axis_offset=0.13)


@each
def test_the_dose_is_that_of_finer_bins(footprint):
    a = plain()
    (fine, fine_views), *_ = layers(replace(a.optics, footprint=footprint), a.grid)
    found = shaped(fine, fine_views)
    assert found is not None
    coarse, views = found
    assert views.bins == 11
    assert coarse.across is None
    light, dose = random(a.pattern_shape), random(a.dose_shape, seed=1)
    fine, coarse = (x.to(torch.device("cpu"), torch.float64) for x in (fine, coarse))
    wanted = reference.deposit(fine.forward(light), fine_views)
    assert gap(reference.deposit(coarse.forward(light), views), wanted) < 1e-14
    wanted = fine.transpose(reference.collect(dose, fine_views))
    assert gap(coarse.transpose(reference.collect(dose, views)), wanted) < 1e-14
    left = (reference.deposit(light, views) * dose).sum()
    right = (light * reference.collect(dose, views)).sum()
    assert abs(float(left - right)) < 1e-12 * float(light.norm() * dose.norm())


@each
def test_what_a_place_takes_is_near_the_footprint(footprint):
    """That of fine bins read linearly: 40 % narrower or wider would be off by far more than the 6 % of the peak."""
    profile = profile_of(footprint, 5)
    away = (torch.arange(-120, 120, dtype=torch.float64) + 0.5) * 0.05
    wanted = convolved(away, footprint.boxes, footprint.sigma)
    area = float(profile.at(away).sum() / wanted.sum())
    assert area == pytest.approx(1, abs=2e-3)
    blurred = footprint.sigma > 0
    off = (profile.at(away) - wanted).abs().amax() / wanted.amax()
    assert float(off) < (0.06 if blurred else 1.01)  # a sharp edge within a fifth of a pixel
    assert not profile.at(torch.tensor([-1, 1], dtype=torch.float64) * profile.support * (1 + 1e-9)).any()


def test_bins_lie_as_those_of_the_footprint():
    profile, taps = profile_of(FOOTPRINTS["blurred"], 3), onto_bins(FOOTPRINTS["blurred"], 7, 3)
    fine = profile.fine_bins(7)
    trimmed = (taps.index.shape[1] - fine.index.shape[1]) // 2
    dense = torch.eye(7, dtype=torch.float64)
    torch.testing.assert_close(fine.apply(dense), taps.apply(dense)[:, trimmed : taps.index.shape[1] - trimmed])


def test_other_kernels_refuse_it_and_ends_keep_finer_bins():
    a = plain()
    (fine, views), *_ = layers(replace(a.optics, footprint=FOOTPRINTS["square"]), a.grid)
    _, views = shaped(fine, views) or (None, views)
    assert views.profile is not None
    with pytest.raises(KernelUnavailable, match="reads bins linearly, and these have a profile"):
        choose("triton_ends", views, torch.device("cpu"), torch.float64)
    _, blurred = shaped(*layers(replace(a.optics, footprint=FOOTPRINTS["blurred"]), a.grid)[0]) or (None, views)
    with pytest.raises(KernelUnavailable, match=r"light ends within a column of them.* these reach 3 columns"):
        choose("cpu", blurred, torch.device("cpu"), torch.float64)
    assert choose("auto", blurred, torch.device("cpu"), torch.float64)[0] == "reference"
    assert not takes_shapes("auto", blurred, torch.device("cpu"), torch.float32)
    assert takes_shapes("auto", views, torch.device("cpu"), torch.float32)
    (plain_resampling, linear), *_ = layers(a.optics, a.grid)
    assert shaped(plain_resampling, linear) is None


@pytest.mark.parametrize("dtype", [torch.float32, torch.float64])
@pytest.mark.parametrize("pixel", [Footprint("square"), Footprint("square", 0.7), Footprint("square", sigma=0.1)])
@pytest.mark.parametrize("voxel", [0.5, 0.2, 1.3])
def test_the_cpu_reads_sharp_pixels_by_their_profile(pixel, voxel, dtype):
    """As the reference does, in dose and adjoint; bit-equal in any number of threads. Several tiles; off the axis."""
    a = operator((53, 27, 5), voxel, angles=7, columns=23, rows=5, pixel=0.45, radius=5.2, axis_offset=0.13)
    found = shaped(*layers(replace(a.optics, footprint=pixel), a.grid)[0])
    assert found is not None
    views = found[1]
    assert takes_shapes("cpu", views, torch.device("cpu"), dtype)
    cpu = choose("cpu", views, torch.device("cpu"), dtype)[1]
    light, dose = random(a.pattern_shape, dtype), random(a.dose_shape, dtype, seed=1)
    near = 1e-14 if dtype == torch.float64 else 1e-6
    made, back = cpu.deposit(light, views), cpu.collect(dose, views)
    assert gap(made, reference.deposit(light.double(), views)) < near
    assert gap(back, reference.collect(dose.double(), views)) < near
    threads = torch.get_num_threads()
    try:
        for count in (1, 2, 3):
            torch.set_num_threads(count)
            assert torch.equal(cpu.deposit(light, views), made)
            assert torch.equal(cpu.collect(dose, views), back)
    finally:
        torch.set_num_threads(threads)


def test_an_operator_of_sharp_pixels_takes_no_finer_bins():
    a = plain()
    square = type(a)(replace(a.optics, footprint=FOOTPRINTS["square"]), a.grid, replace(a.backend, kernel="cpu"))
    assert square.views.profile is not None
    assert square.views.bins == a.views.bins
    blurred = type(a)(replace(a.optics, footprint=FOOTPRINTS["blurred"]), a.grid, replace(a.backend, kernel="cpu"))
    assert blurred.views.profile is None
