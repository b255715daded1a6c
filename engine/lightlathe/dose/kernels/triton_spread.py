"""The dose kernels on NVIDIA cards for rows that spread with depth, in float32 and float64.

No matrix units, no halves, no atomics: what the reference computes, to rounding, and repeats are bit-equal. Memory: the
result, and of `deposit` a copy of the light. With TRITON_INTERPRET=1, set before triton is imported, the kernels run on
the CPU, slowly; so CI tests them.
"""

import math
from dataclasses import replace

import torch
from torch import Tensor

from lightlathe.dose.kernels import reference_spread, triton_double
from lightlathe.dose.kernels.directions import vial
from lightlathe.dose.kernels.self_test import interpreted, no_room, no_triton

DEEP = {"deposit": 128, "collect": 256}  # slices, or planes, of a program at most in float32; half in float64
COLUMNS = {"deposit": 2, "collect": 2}  # voxel columns, or bins
WARPS = 1  # of a program: each computes what belongs to a voxel column anew


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    if dtype not in (torch.float32, torch.float64):
        return f"it computes in float32 or float64, not {dtype}"
    reason = no_room(views) or no_triton(device)
    if reason is not None:
        return reason
    return None if interpreted(device) else fault(views, device, dtype)


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, batch * slice) of views (angle, bin, batch * plane), times gain."""
    from lightlathe.dose.kernels.triton_spread_kernels import deposit_kernel

    spread, device = views.spread, views_array.device
    batch = views_array.shape[2] // spread.planes
    dose = torch.empty(views.dose_shape(batch * spread.slices), device=device, dtype=views_array.dtype)
    deep, strip = _deep("deposit", spread.slices, dose), COLUMNS["deposit"]
    if batch:
        light = views_array.reshape(views.angles, views.bins, batch, spread.planes)
        columns = math.ceil(views.nx / 2) * math.ceil(2 * views.ny / strip)
        deposit_kernel[(columns, batch * math.ceil(spread.slices / deep))](
            torch.nn.functional.pad(light, (2, 2, 0, 0, 1, 2)), *_tables(views, gain, dose), dose, views.nx, views.ny,
            spread.slices, spread.planes, batch, views.bins, views.angles, vial(views)[-1],
            STRIP=strip, DEEP=deep, num_warps=WARPS,
        )  # fmt: skip
    return dose


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The transpose: views (angle, bin, batch * plane) of a volume (x, y, batch * slice), times gain."""
    from lightlathe.dose.kernels.triton_spread_kernels import collect_kernel

    spread, device = views.spread, volume.device
    batch = volume.shape[2] // spread.slices
    out = torch.empty(views.view_shape(batch * spread.planes), device=device, dtype=volume.dtype)
    deep, strip = _deep("collect", spread.planes, out), COLUMNS["collect"]
    strips = math.ceil(views.bins / strip)
    if batch:
        collect_kernel[(views.angles * strips, batch * math.ceil(spread.planes / deep))](
            volume.contiguous(), *_tables(views, gain, out), out, views.nx, views.ny, spread.slices,
            spread.planes, batch, views.bins, strips, vial(views)[-1], STRIP=strip, DEEP=deep, num_warps=WARPS,
        )  # fmt: skip
    return out


def fault(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where both functions agree with the reference on a small case of this spread, else what went wrong."""
    few = replace(views, angle_rad=views.angle_rad[:1] + 0.3, nx=min(views.nx, 5), ny=min(views.ny, 4))
    generator, allowed = torch.Generator().manual_seed(1), 1e-12 if dtype == torch.float64 else 2e-5
    for name, kernel, wanted, shape in (
        ("dose", deposit, reference_spread.deposit, views.view_shape(views.spread.planes)),
        ("adjoint", collect, reference_spread.collect, few.dose_shape(views.spread.slices)),
    ):
        shape = (1, *shape[1:]) if name == "dose" else shape
        given = torch.rand(shape, generator=generator, dtype=torch.float64)
        try:
            got = kernel(given.to(device, dtype), few, 0.7).double().cpu()
        except Exception as error:  # a compiler or a driver may raise anything; the user is told what and what to set
            return f"its self-test on {device} failed with {type(error).__name__}: {str(error)[:300]}"
        by_reference = wanted(given, few, 0.7)
        gap = float((got - by_reference).norm() / by_reference.norm().clamp(min=1e-300))
        if not gap <= allowed:
            return f"its self-test on {device} is off by {gap:.1e} in the {name}, {allowed:.0e} allowed"
    return None


def _deep(direction: str, slices: int, result: Tensor) -> int:
    return min(DEEP[direction] * 4 // result.itemsize, max(32, 1 << max(slices - 1, 0).bit_length()))


def _tables(views, gain: float, result: Tensor) -> tuple[Tensor, ...]:
    """float64: as those of triton_double, and heights (see the kernels); of the result's type, of the bins and one
    beyond: at_foot - 1 and per_mm."""
    spread, voxel = views.spread, views.voxel_mm
    at_zero = spread.pupil_z_mm / spread.plane_mm + (spread.planes - 1) / 2
    pupil = spread.pupil_z_mm / voxel + (spread.slices - 1) / 2
    heights = torch.tensor((at_zero, pupil, voxel / spread.plane_mm, spread.most), dtype=torch.float64)
    padded = (torch.cat([values[:1], values, values[-1:]]) for values in (spread.at_foot - 1, spread.per_mm))
    tables = (heights.to(result.device), *(table.to(result) for table in padded))
    return *triton_double.tables(views, gain, result.device), *tables
