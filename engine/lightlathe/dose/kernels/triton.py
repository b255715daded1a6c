"""The dose kernels in Triton, for NVIDIA cards of compute capability 8.0 and above.

Precision (views.precision): "half" rounds the light and the weights to 11 bits and sums in float32; "single" carries
every number as two halves. Measured errors stand in benchmarks/GPU.md.
Repeats: bit-equal, no atomics. Memory: one copy of the input in halves (two for "single").
With TRITON_INTERPRET=1, set before triton is imported, the kernels run on the CPU, slowly; so CI tests them.
"""

import math
from functools import lru_cache

import torch
from torch import Tensor

from lightlathe.dose.kernels.directions import blocks, bounds, groups, middle, opposites, reach, vial
from lightlathe.dose.kernels.self_test import fault, no_triton
from lightlathe.errors import KernelUnavailable

TILE = 8  # voxels
BINS = 16, 32, 64  # that a tile may read of one view: 16 where bins are as wide as voxels, for the matrix units
# voxels or bins across at most: beyond 2048 places are rounded to 2.4e-4 of a bin, which weights in halves are too
MAX_COUNT, MOST_SLICES = 2**31 - 1, 256  # of the voxels of a block; that a program takes
REACH = {"single": 2048, "half": 4096}
DIRECTIONS = 4  # gathered together: 4 directions x 2 views x 8 bins are the 64 rows of a matrix instruction
RUN = 8  # voxels read in a row


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    if dtype != torch.float32:
        return f"it computes in float32, not {dtype}"
    if views.spread is not None:
        return "its rows stay level, and these spread with depth"
    farthest = REACH[views.precision]
    if reach(views) > farthest:
        return (
            f"its places are exact up to {farthest} voxels or bins across, and this is {views.nx} x {views.ny}, "
            f"{views.bins} bins of {views.bin_mm / views.voxel_mm:.2g} voxels, {views.middle_mm:g} mm off the axis"
        )
    if views.bins_across(TILE) > BINS[-1]:
        return f"{TILE} x {TILE} voxels read {views.bins_across(TILE)} bins of a view, and it takes {BINS[-1]}"
    if views.lines is not None and views.band is not None:
        return "it weights light by depth on parallel chords alone"
    if views.ends is not None:
        return "its light ends at no insert"
    if views.lines is not None:
        reason = lines_too_bent(views)
        if reason is not None:
            return reason
    reason = no_triton(device)
    if reason is not None:
        return reason
    if device.type == "cuda" and torch.cuda.get_device_capability(device) < (8, 0):
        return f"{torch.cuda.get_device_name(device)} lacks the matrix units it uses (compute capability 8.0)"
    return fault(deposit, collect, type(views), views.precision, device)


@lru_cache(maxsize=16)
def _band(views, device: torch.device) -> Tensor:
    """(5,) float32 weight by depth, lengths in bins; see dose/focus.py. Not read where views have none."""
    band, bin_mm = views.band, views.bin_mm
    if band is None:
        return torch.zeros(1, device=device)
    numbers = (band.focus_mm / bin_mm, band.rise_at, band.rise * bin_mm, band.fall_at, band.fall * bin_mm)
    return torch.tensor(numbers, dtype=torch.float32, device=device)


def lines_too_bent(views) -> str | None:
    from lightlathe.dose.kernels.triton_lines import BENT_AT_MOST, STRIP

    _, turn = views.lines.with_dark
    bent = max(float((turn[k:] - turn[: len(turn) - k]).abs().max()) for k in range(1, min(STRIP + 2, len(turn))))
    if bent > BENT_AT_MOST:
        return f"chords of {STRIP} columns side by side differ by {bent:.2f} rad, and it takes {BENT_AT_MOST}"
    return None


def _z_block(slices: int, split: bool) -> int:
    """Slices a program takes: few programs, but not mostly beyond the last slice, and sums that fit the registers."""
    cost = {256: 2.0 if split else 1.0, 128: 1.15, 64: 1.4, 32: 2.2, 16: 4.0}  # by measurement, per slice
    return min(cost, key=lambda block: cost[block] * block * math.ceil(slices / block))


class _Halves:
    """A float32 array (a, b, z) as scaled float16: `edge` zeros at both ends of b, z padded to whole blocks.

    limit   zeros also where (2a-na+1)^2 + (2b-nb+1)^2 is more
    most    no modulus exceeds it, if known; one that is too large costs the second half its digits
    """

    def __init__(
        self, x: Tensor, split: bool, block: int, edge: int = 0, limit: int | None = None, most: float | None = None
    ) -> None:
        from lightlathe.dose.kernels.triton_kernels import to_halves

        planes, columns, nz = x.shape
        self.low, self.high = torch.aminmax(x) if most is None or split else bounds(most, x.device)
        self.padded = block * math.ceil(nz / block)
        self.hi = torch.empty(planes, columns + 2 * edge, self.padded, device=x.device, dtype=torch.float16)
        self.lo = torch.empty_like(self.hi) if split else self.hi
        rows = 4096 // block
        grid = (math.ceil((columns + 2 * edge) / rows), planes, self.padded // block)
        to_halves[grid](x, self.low, self.high, self.hi, self.lo, planes, columns, edge, nz, self.padded, limit or 0,
                        SPLIT=split, ROUND=limit is not None, ROWS=rows, BLOCK=block)  # fmt: skip

    @property
    def operands(self) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        return self.hi, self.lo, self.low, self.high


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, slice) of views (angle, bin, slice), none above `most` if that is known, times gain."""
    from lightlathe.dose.kernels.triton_kernels import deposit_kernel

    nz = views_array.shape[2]
    dose = torch.empty(views.dose_shape(nz), device=views_array.device, dtype=torch.float32)
    if nz == 0:
        return dose
    split = views.precision == "single"
    block = _z_block(nz, split)
    bins = next(size for size in BINS if size >= views.bins_across(TILE))
    light = _Halves(views_array, split, block, edge=bins, most=most)
    grid = (math.ceil(views.nx / TILE) * math.ceil(views.ny / TILE), math.ceil(nz / block))
    shape = {"SPLIT": split, "TILE": TILE, "BINS": bins, "BLOCK": block, "num_warps": 4}
    shape["num_stages"] = 5 * BINS[0] // bins  # what waits in shared memory stays as large
    if views.lines is not None:
        from lightlathe.dose.kernels import triton_lines as bent

        bent.deposit_lines_kernel[grid](
            *light.operands, *bent.tables(views, views_array.device), dose, views.nx, views.ny, nz, light.padded,
            views.bins, views.angles, (views.bins + 2).bit_length(), bent.decay_per_mm(views), vial(views)[-1],
            float(gain), **shape,
        )  # fmt: skip
        return dose
    table, member = opposites(views, views_array.device)
    deposit_kernel[grid](
        *light.operands, table, member, dose, _band(views, dose.device), views.nx, views.ny, nz, light.padded,
        views.bins, len(table), *middle(views), *vial(views), float(gain), BAND=views.band is not None, **shape,
    )  # fmt: skip
    return dose


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The transpose: views (angle, bin, slice) of a volume (x, y, slice), times gain."""
    from lightlathe.dose.kernels.triton_kernels import collect_kernel

    nz = volume.shape[2]
    out = torch.zeros(views.view_shape(nz), device=volume.device, dtype=torch.float32)
    if nz == 0:
        return out
    split = views.precision == "single"
    block = _z_block(nz, split)
    circle = vial(views)
    if views.lines is not None:
        return _collect_lines(_Halves(volume, split, block, limit=circle[-1]), views, out, gain, split, block)
    widest = max(end - start for start, end in blocks(views.nx) + blocks(views.ny))
    slices = (MAX_COUNT // (widest * max(views.nx, views.ny)) // MOST_SLICES - 1) * MOST_SLICES
    if nz > slices:  # the voxels of a block are counted in 32 bits
        if slices < MOST_SLICES:
            raise KernelUnavailable(
                f"kernel 'triton' counts voxels in 32 bits, and {widest} x {max(views.nx, views.ny)} x {MOST_SLICES} "
                "of a block are too many; larger voxels would do."
            )
        for first in range(0, nz, slices):
            out[:, :, first : first + slices] = collect(volume[:, :, first : first + slices].contiguous(), views, gain)
        return out
    voxels = _Halves(volume, split, block, limit=circle[-1])
    fans = groups(views, DIRECTIONS, volume.device)
    for x0, x1 in blocks(views.nx):
        for y0, y1 in blocks(views.ny):
            strips = math.ceil((max(x1 - x0, y1 - y0) * fans.widest + 3) / 8) + 1
            collect_kernel[(len(fans.main) * strips, math.ceil(nz / block))](
                *voxels.operands, fans.table, fans.member, fans.main, out, _band(views, out.device),
                views.nx, views.ny, nz, voxels.padded, views.bins, strips, x0, x1, y0, y1,
                *middle(views), *circle, float(gain),
                BAND=views.band is not None, SPLIT=split, DIRECTIONS=DIRECTIONS, RUN=RUN, INNER=64,
                LINES=max(64, 1 << (max(x1 - x0, y1 - y0) - 1).bit_length()), BLOCK=block,
                num_warps=4, num_stages=2 if split else 3,
            )  # fmt: skip
    return out


def _collect_lines(voxels: _Halves, views, out: Tensor, gain: float, split: bool, block: int) -> Tensor:
    from lightlathe.dose.kernels import triton_lines as bent

    nz, strips = out.shape[2], math.ceil(views.bins / bent.STRIP)
    lines = max(bent.INNER, 1 << (max(views.nx, views.ny) - 1).bit_length())
    bent.collect_lines_kernel[(views.angles * strips, math.ceil(nz / block))](
        *voxels.operands, *bent.tables(views, out.device), out, views.nx, views.ny, nz, voxels.padded, views.bins,
        strips, bent.STRIP.bit_length(), bent.decay_per_mm(views), vial(views)[-1], float(gain),
        SPLIT=split, STRIP=bent.STRIP, RUN=bent.RUN, INNER=bent.INNER, LINES=lines, BLOCK=block, num_warps=4,
        num_stages=1,
    )  # fmt: skip
    return out
