"""The dose kernels in float64 on NVIDIA cards: certificates, and designs in double precision.

No matrix units, no halves: what the reference computes, summed without atomics, so repeats are bit-equal. It differs
from the reference by rounding alone, some 1e-15 of the norm. Memory: the result.
With TRITON_INTERPRET=1, set before triton is imported, the kernels run on the CPU, slowly; so CI tests them.
"""

import math

import torch
from torch import Tensor

from lightlathe.dose.kernels.directions import vial
from lightlathe.dose.kernels.self_test import fault, no_room, no_triton

STRIP = 32  # bins, or voxel columns, of a program
DEEP = 32  # slices of a program at most


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    if dtype != torch.float64:
        return f"it computes in float64, not {dtype}"
    if views.spread is not None:
        return "its rows stay level, and these spread with depth"
    if views.ends is not None:
        return "its light ends at no insert"
    if views.lines is not None:
        return "its bins are parallel and evenly spaced, and these chords are not"
    reason = no_room(views) or no_triton(device)
    if reason is not None:
        return reason
    return fault(deposit, collect, type(views), "double", device)


def tables(views, gain: float, device: torch.device) -> tuple[Tensor, Tensor]:
    """float64: (angle, 2) cosine and sine; voxel, bin, middle, radius, absorption, gain, and the weight by depth.

    In memory, since Triton would round arguments.
    """
    band = views.band
    weight = (0, 1, 0, 1, 0) if band is None else (band.focus_mm, band.rise_at, band.rise, band.fall_at, band.fall)
    angles = torch.stack([views.angle_rad.cos(), views.angle_rad.sin()], 1)
    sizes = (views.voxel_mm, views.bin_mm, views.middle_bins, views.radius_mm, views.absorption_per_mm, gain, *weight)
    return angles.to(device), torch.tensor(sizes, dtype=torch.float64).to(device)


def _deep(slices: int) -> int:
    return min(DEEP, 1 << max(slices - 1, 0).bit_length())


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, slice) of views (angle, bin, slice), times gain."""
    from lightlathe.dose.kernels.triton_double_kernels import deposit_kernel

    nz, device = views_array.shape[2], views_array.device
    dose = torch.empty(views.dose_shape(nz), device=device, dtype=torch.float64)
    if nz:
        deep = _deep(nz)
        grid = (math.ceil(views.nx * views.ny / STRIP), math.ceil(nz / deep))
        deposit_kernel[grid](
            views_array.contiguous(), *tables(views, gain, device), dose, views.nx, views.ny, nz, views.bins,
            views.angles, vial(views)[-1], STRIP=STRIP, DEEP=deep,
        )  # fmt: skip
    return dose


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The transpose: views (angle, bin, slice) of a volume (x, y, slice), times gain."""
    from lightlathe.dose.kernels.triton_double_kernels import collect_kernel

    nz, device = volume.shape[2], volume.device
    out = torch.empty(views.view_shape(nz), device=device, dtype=torch.float64)
    if nz:
        deep, strips = _deep(nz), math.ceil(views.bins / STRIP)
        collect_kernel[(views.angles * strips, math.ceil(nz / deep))](
            volume.contiguous(), *tables(views, gain, device), out, views.nx, views.ny, nz, views.bins, strips,
            vial(views)[-1], STRIP=STRIP, DEEP=deep,
        )  # fmt: skip
    return out
