"""Views of more angles than a kernel takes at once, and volumes of more voxels than it counts."""

import math

import pytest
import torch

from gpu_device import DEVICE, ON_CARD
from lightlathe.dose import Views
from lightlathe.dose.footprint import profile_of
from lightlathe.dose.kernels import cuda_hopper, reference, shares, triton
from lightlathe.quantities import Footprint

HOPPER = ON_CARD and torch.cuda.get_device_capability() == (9, 0)


def views(angles, **more):
    return Views(torch.arange(angles, dtype=torch.float64) * (math.tau / angles), 13, 1.0, 11, 9, 1.0, 6.0, 0.1, **more)


@pytest.mark.parametrize(("angles", "most"), [(12, 6), (30, 8), (7, 3), (2001, 2000), (4, 4)])
def test_shares_hold_each_view_once_and_are_even_turns(angles, most):
    whole = views(angles)
    found = shares.shares(whole, most)
    numbers = torch.cat([torch.arange(angles)[which] for which, _ in found])
    assert sorted(numbers.tolist()) == list(range(angles))
    for which, share in found:
        assert share.angles <= most
        assert torch.equal(share.angle_rad, whole.angle_rad[which])
        if angles % len(found) == 0:
            assert share.angle_rad.diff().std() < 1e-12 or share.angles < 3
    if angles == 12:  # opposites stay together
        assert all(share.angles % 2 == 0 for _, share in found)


@pytest.mark.skipif(not HOPPER, reason="needs a card of compute capability 9.0")
@pytest.mark.parametrize("profile", [False, True])
def test_the_hopper_kernel_takes_any_number_of_angles(monkeypatch, profile):
    """In shares of 6 and of 60 it gives the reference's dose and transpose, within halves (2^-11 of each number)."""
    case = views(60, precision="half", profile=profile_of(Footprint("square"), 5) if profile else None)
    light, volume = torch.rand(60, 13, 40, device=DEVICE), torch.rand(11, 9, 40, device=DEVICE)
    for most in (60, 6):
        monkeypatch.setattr(cuda_hopper, "MAX_DIRECTIONS", most)
        for made, given in ((cuda_hopper.deposit, light), (cuda_hopper.collect, volume)):
            wanted = getattr(reference, made.__name__)(given.double().cpu(), case)
            off = made(given, case).double().cpu() - wanted
            assert float(off.norm() / wanted.norm()) < 7e-4


def test_the_triton_kernel_collects_any_number_of_slices(monkeypatch):
    """Some slices at a time: the reference's transpose, within halves."""
    case, volume = views(4, precision="half"), torch.rand(11, 9, 600, device=DEVICE)
    monkeypatch.setattr(triton, "MAX_COUNT", 2 * 256 * 11 * 11)
    wanted = reference.collect(volume.double().cpu(), case)
    off = triton.collect(volume, case).double().cpu() - wanted
    assert float(off.norm() / wanted.norm()) < 7e-4
