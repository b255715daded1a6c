"""Every kernel against the reference, which imports torch alone."""

import hashlib
import math
import os
import platform
import subprocess
import sys
from dataclasses import replace

import pytest
import torch
from dose_cases import CASES, CPU, runnable

from lightlathe.beams.telecentric import full_turn
from lightlathe.dose.kernels import KERNELS, PREFERRED, choose, cuda_hopper, reference, triton
from lightlathe.dose.lines import Lines
from lightlathe.dose.views import Views
from lightlathe.errors import KernelUnavailable
from operators import gap, operator, random

# As shares of the norm. float64: some 1e3 roundings of 1e-16. float32: of 6e-8, of which most cancel.
ALLOWED = {torch.float64: 1e-13, torch.float32: 2e-6}
OTHERS = [name for name in runnable(torch.float32) if name != "reference"]


@pytest.fixture(params=OTHERS)
def kernel(request):
    return choose(request.param, Views(full_turn(1), 1, 1.0, 1, 1, 1.0, 1.0, 0.0), CPU, torch.float32)[1]


def test_there_is_something_to_compare():
    assert "cpu" in OTHERS
    assert set(PREFERRED) <= set(KERNELS)


@pytest.mark.parametrize("dtype", ALLOWED)
@pytest.mark.parametrize("case", CASES)
def test_agrees_with_the_reference(kernel, case, dtype):
    views, slices = operator(**CASES[case]).views, CASES[case].get("shape", (4, 5, 2))[2]
    light, dose = random(views.view_shape(slices), dtype, 1), random(views.dose_shape(slices), dtype, 2)
    for gain in (1.0, 0.37):
        assert gap(kernel.deposit(light, views, gain), gain * reference.deposit(light.double(), views)) < ALLOWED[dtype]
        assert gap(kernel.collect(dose, views, gain), gain * reference.collect(dose.double(), views)) < ALLOWED[dtype]


def test_the_comparison_can_fail(kernel):
    views = operator().views
    light = random(views.view_shape(2), torch.float32, 1)
    assert gap(1.0001 * kernel.deposit(light, views), reference.deposit(light.double(), views)) > ALLOWED[torch.float32]


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_repeats_to_the_last_bit_for_any_number_of_threads(kernel, threads):
    views = operator(**CASES["tiles and blocks"]).views
    light, dose = random(views.view_shape(67), torch.float32, 1), random(views.dose_shape(67), torch.float32, 2)
    first, before = (kernel.deposit(light, views), kernel.collect(dose, views)), torch.get_num_threads()
    try:
        torch.set_num_threads(threads)
        for _ in range(2):
            assert torch.equal(kernel.deposit(light, views), first[0])
            assert torch.equal(kernel.collect(dose, views), first[1])
    finally:
        torch.set_num_threads(before)


def both_products(name: str) -> str:
    """The bits of a dose and of light, in short."""
    views = operator(**CASES["tiles and blocks"]).views
    kernel = choose(name, views, CPU, torch.float32)[1]
    light, dose = random(views.view_shape(67), torch.float32, 1), random(views.dose_shape(67), torch.float32, 2)
    made = kernel.deposit(light, views), kernel.collect(dose, views)
    return hashlib.sha256(b"".join(x.numpy().tobytes() for x in made)).hexdigest()


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="glibc alone fills what it hands out")
@pytest.mark.parametrize("name", OTHERS)
def test_whatever_the_scratch_memory_holds(name):
    """Every byte of fresh memory 254, in compiled code too: numbers of -1e38, counts beyond every array."""
    code = f"import test_kernels; print(test_kernels.both_products({name!r}))"
    filled = os.environ | {"MALLOC_PERTURB_": "1", "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run([sys.executable, "-c", code], env=filled, capture_output=True, text=True, check=False)
    assert done.stdout.strip() == both_products(name), done.stderr[-500:]


def test_dark_slices_and_voxels_outside_the_vial(kernel):
    """Dark in, exactly dark out; what a volume holds outside the vial is never read, not even NaN."""
    views = operator(**CASES["tiles and blocks"]).views
    light = torch.zeros(views.view_shape(130))
    light[:, :, 100] = 1
    dose = kernel.deposit(light, views)
    assert dose[:, :, 100].any()
    dose[:, :, 100] = 0
    assert not dose.any()
    volume = torch.zeros(views.dose_shape(130))
    volume[:, :, 7] = 1
    wanted = kernel.collect(volume, views)
    volume[~views.inside()] = math.nan
    got = kernel.collect(volume, views)
    assert torch.equal(got, wanted)
    assert got[:, :, 7].any()
    got[:, :, 7] = 0
    assert not got.any()
    outside = kernel.deposit(torch.ones(views.view_shape(2)), views)[~views.inside()]
    assert len(outside) > 0
    assert not outside.any()


@pytest.mark.parametrize("name", runnable(torch.float32))
def test_strong_absorption_stays_finite(name):
    """Light dies within 0.02 mm in a vial of 8 mm radius: exp(-800) at the far side underflows, nothing overflows."""
    a = operator(
        (33, 33, 2), 0.5, columns=33, angles=16, radius=8.0, absorption=50.0, first_rad=0.0,
        kernel=name, dtype=torch.float32,
    )  # fmt: skip
    dose, light = a(torch.ones(a.pattern_shape)), a.transpose(torch.ones(a.dose_shape))
    assert dose.isfinite().all()
    assert light.isfinite().all()
    # the voxel at (R, 0) of the wall: half a turn of views reaches it through no resin at all, so about 1/2
    assert 0.4 < float(dose[32, 16, 0]) < 0.6
    assert float(dose[16, 16, 0]) < 1e-30


def test_what_cannot_run_says_why():
    views = operator().views
    with pytest.raises(KernelUnavailable, match=r"kernel is 'cuda9'; expected 'auto' or one of"):
        choose("cuda9", views, CPU, torch.float32)
    with pytest.raises(KernelUnavailable, match=r"'cpu' cannot run here: it computes in float32 or float64, not"):
        choose("cpu", views, CPU, torch.float16)
    with pytest.raises(KernelUnavailable, match=r"'cpu' cannot run here: it runs on the CPU, not on cuda"):
        choose("cpu", views, torch.device("cuda"), torch.float32)
    with pytest.raises(KernelUnavailable, match=r"no kernel runs on cpu in torch\.int32"):
        choose("auto", views, CPU, torch.int32)


def test_the_kernels_of_cards_say_what_bins_they_take():
    """Asked before the device is: parallel bins down to half a voxel, or 64 on 8 x 8 voxels; 2048 or 4096 in all."""
    plain = Views(full_turn(4), 40, 1.0, 20, 20, 1.0, 10.0, 0.1, "half")
    s = torch.linspace(-10, 10, 40, dtype=torch.float64)
    bent = replace(plain, lines=Lines(s, 0.02 * s))
    for kernel, views, said in (
        (cuda_hopper, replace(plain, bin_mm=0.45), "take 48 bins at most, and these are 0.45 voxels wide"),
        (cuda_hopper, bent, "parallel and evenly spaced"),
        (cuda_hopper, replace(plain, middle_mm=1010.0), "2048 voxels or bins"),
        (cuda_hopper, replace(plain, middle_mm=0.3), "it runs on NVIDIA cards"),
        (triton, replace(plain, bin_mm=0.1, bins=200), "read 101 bins of a view, and it takes 64"),
        (triton, replace(plain, middle_mm=-2040.0), "4096 voxels or bins"),
        (triton, replace(plain, middle_mm=-1010.0, precision="single"), "2048 voxels or bins"),
        (triton, replace(plain, bin_mm=0.2), "it runs on NVIDIA cards"),
    ):
        assert said in str(kernel.why_not(views, CPU, torch.float32))


def test_the_best_kernel_is_chosen_and_logged(caplog):
    caplog.set_level("INFO", logger="lightlathe")
    assert choose("auto", operator().views, CPU, torch.float64)[0] == "cpu"
    assert "dose kernel: cpu on cpu in torch.float64" in caplog.text
