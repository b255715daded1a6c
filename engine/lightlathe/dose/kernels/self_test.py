"""Before a GPU kernel is trusted: is there a card, and does a small case give what the reference does?"""

import math
import os
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import torch

from lightlathe.dose.kernels import reference

ALLOWED = {  # relative to the norm of the reference
    "half": 2e-3,  # 11 bits round by 3e-4 of the norm; a wrong weight anywhere in so small a case costs over 1e-2
    "single": 2e-5,  # float32 sums and powers of two: 1e-6 seen on an H100
    "double": 1e-12,  # float64 throughout: sums of a hundred terms are off by 1e-15
}
GAIN = 0.7


def interpreted(device: torch.device) -> bool:
    """Whether kernels in Triton run on the CPU, slowly, for tests."""
    return os.environ.get("TRITON_INTERPRET") == "1" and device.type == "cpu"


def no_triton(device: torch.device) -> str | None:
    """None where kernels in Triton can run, else the reason they cannot."""
    if not interpreted(device) and device.type != "cuda":
        return f"it runs on NVIDIA cards, not on {device}"
    try:
        import triton  # noqa: F401
    except ImportError:
        return "triton is not installed; pip install 'triton>=3.5' (Linux; the extra 'gpu')"
    return None


def no_room(views) -> str | None:
    """None where kernels without matrix units have room for the grid, else the reason."""
    if max(views.nx, views.ny) > 4096:
        return f"it takes 4096 voxels across at most, and this is {views.nx} x {views.ny}"
    return None


@lru_cache(maxsize=64)
def fault(
    deposit: Callable,
    collect: Callable,
    views_class: type,
    precision: str,
    device: torch.device,
    off_axis: bool = False,
    inserts: tuple[type, type] | None = None,
    finer: int = 1,
    profile: Any = None,
) -> str | None:
    """None where both functions agree with the reference on this device, else what went wrong, in words.

    off_axis   the middle of the bins lies beside the axis
    inserts    classes of ends and of shadows, for a kernel of light that ends at inserts: one, in half of the slices
    finer      so many times as many bins
    profile    of pixels (see Views)
    """
    angle = torch.tensor([*(torch.arange(6, dtype=torch.float64) * (math.tau / 6)).tolist(), 0.2])
    double = precision == "double"
    views = views_class(angle.double(), 21, 1.25, 19, 23, 1.0, 10.0, 0.05, "single" if double else precision)
    if off_axis:
        views = replace(views, middle_mm=-2.31)
    views = replace(views, bins=21 * finer, bin_mm=1.25 / finer, profile=profile)
    if inserts is not None:
        ends, shadows = inserts
        class_of_slice = torch.arange(20) // 10 - 1
        block = shadows(torch.full((5, 4, 1), 255, dtype=torch.uint8), 1.0, (-3.5, 1.25), class_of_slice, 1.0)
        views = replace(views, ends=ends(block, class_of_slice, views.angle_rad, views.offset_mm()))
    generator = torch.Generator().manual_seed(1)
    light = torch.rand(views.view_shape(20), generator=generator)
    dose = torch.rand(views.dose_shape(20), generator=generator)
    exact = replace(views, precision="single")
    for name, kernel, by_reference, given, told in (
        ("dose", deposit, reference.deposit, light, {}),
        ("dose, told the most light,", deposit, reference.deposit, light, {"most": 10.0}),
        ("adjoint", collect, reference.collect, dose, {}),
    ):
        try:
            told_to = given.to(device, torch.float64 if double else torch.float32)
            got = kernel(told_to, views, GAIN, **told).double().cpu()
        except Exception as error:  # a compiler or a driver may raise anything; the user is told what and what to set
            return f"its self-test on {device} failed with {type(error).__name__}: {str(error)[:300]}"
        wanted = by_reference(given.double(), exact, GAIN)
        gap = float((got - wanted).norm() / wanted.norm())
        if not gap <= ALLOWED[precision]:
            return (
                f"its self-test on {device} in precision '{precision}' is off by {gap:.1e} in the {name}, "
                f"{ALLOWED[precision]:.0e} allowed"
            )
    return None
