"""The dose kernels on NVIDIA cards for light that ends at opaque inserts, float32 and float64.

No matrix units, no halves: what the reference computes, summed without atomics, so repeats are bit-equal. It differs
from the reference by rounding alone. Memory: the result, and the ends of the chords.
With TRITON_INTERPRET=1, set before triton is imported, the kernels run on the CPU, slowly; so CI tests them.
"""

import math
from functools import lru_cache

import torch
from torch import Tensor

from lightlathe.dose.kernels.directions import vial
from lightlathe.dose.kernels.self_test import fault, interpreted, no_room, no_triton

STRIP = 32  # bins, or voxel columns, of a program
DEEP = 64  # slices of a program at most
FEW = 16  # runs of slices of one cross-section, up to which each is a call of its own


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    if views.ends is None:
        return "it is for light that ends at inserts, and this does not"
    if dtype not in (torch.float32, torch.float64):
        return f"it computes in float32 or float64, not {dtype}"
    if views.lines is not None:
        return "its bins are parallel and evenly spaced, and these chords are not"
    reason = no_room(views) or no_triton(device)
    if reason is not None:
        return reason
    if interpreted(device):
        return None  # the self-test would take a quarter of a minute
    kinds, precision = (type(views.ends), type(views.ends.shadows)), "double" if dtype == torch.float64 else "single"
    return fault(deposit, collect, type(views), precision, device, inserts=kinds)


def _tables(views, gain: float, device: torch.device) -> tuple[Tensor, Tensor]:
    """float64: (angle, 2) cosine and sine; voxel, bin, middle, radius, absorption, gain: Triton would round them."""
    angles = torch.stack([views.angle_rad.cos(), views.angle_rad.sin()], 1)
    sizes = (views.voxel_mm, views.bin_mm, views.middle_bins, views.radius_mm, views.absorption_per_mm, gain)
    return angles.to(device), torch.tensor(sizes, dtype=torch.float64).to(device)


@lru_cache(maxsize=8)  # on the device from one product to the next
def _ends(views, slices: int, device: torch.device) -> tuple[Tensor, Tensor, list[tuple[int, int, bool]]]:
    """(view, bin, class) float32 with a class of no ends as the last; (slice,) int64 class; (first slice, how many,
    whether of one class) of each call of a kernel."""
    t_mm = torch.nn.functional.pad(views.ends.t_mm, (0, 1), value=math.inf)
    classes = views.ends.classes(slices)
    which = torch.where(classes < 0, t_mm.shape[2] - 1, classes)
    _, lengths = which.unique_consecutive(return_counts=True)
    calls = [(0, slices, False)]
    if len(lengths) <= FEW:
        starts = (lengths.cumsum(0) - lengths).tolist()
        calls = [(start, length, True) for start, length in zip(starts, lengths.tolist(), strict=True)]
    return t_mm.to(device), which.to(device), calls


def _deep(slices: int) -> int:
    return min(DEEP, 1 << max(slices - 1, 0).bit_length())


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, slice) of views (angle, bin, slice), times gain."""
    from lightlathe.dose.kernels.triton_ends_kernels import deposit_kernel

    nz, device = views_array.shape[2], views_array.device
    dose = torch.empty(views.dose_shape(nz), device=device, dtype=views_array.dtype)
    light, tables = views_array.contiguous(), _tables(views, gain, device)
    t_mm, which, calls = _ends(views, nz, device)
    for z0, count, one in calls if nz else ():
        deep = _deep(count)
        deposit_kernel[(math.ceil(views.nx * views.ny / STRIP), math.ceil(count / deep))](
            light, *tables, t_mm, which, dose, views.nx, views.ny, nz, z0, count, views.bins, views.angles,
            vial(views)[-1], views.ends.first_bin, t_mm.shape[1], t_mm.shape[2], STRIP=STRIP, DEEP=deep, ONE=one,
        )  # fmt: skip
    return dose


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The transpose: views (angle, bin, slice) of a volume (x, y, slice), times gain."""
    from lightlathe.dose.kernels.triton_ends_kernels import collect_kernel

    nz, device = volume.shape[2], volume.device
    out = torch.empty(views.view_shape(nz), device=device, dtype=volume.dtype)
    dose, tables, strips = volume.contiguous(), _tables(views, gain, device), math.ceil(views.bins / STRIP)
    t_mm, which, calls = _ends(views, nz, device)
    for z0, count, one in calls if nz else ():
        deep = _deep(count)
        collect_kernel[(views.angles * strips, math.ceil(count / deep))](
            dose, *tables, t_mm, which, out, views.nx, views.ny, nz, z0, count, views.bins, strips, vial(views)[-1],
            views.ends.first_bin, t_mm.shape[1], t_mm.shape[2], STRIP=STRIP, DEEP=deep, ONE=one,
        )  # fmt: skip
    return out
