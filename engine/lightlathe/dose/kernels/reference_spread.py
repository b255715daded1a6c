"""The reference kernel for rows that spread with depth, in plain torch: every voxel reads its planes on its own.

See `Views`, "With `spread`". It imports torch alone, so that it never leans on what it checks.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import torch
from torch import Tensor

PIECE = 1 << 24  # numbers of a volume that are looked at together


@dataclass(frozen=True)
class _Corners:
    """Of some voxel columns in one view: their numbers, and where and how much each voxel reads.

    columns   slice of the voxel columns inside
    corners   (lower bin, weight (column, 1)) of both bins; bin numbers with one dark bin at each end
    plane     (column, slice) int64 lower plane, with one dark plane at each end; share of the upper one
    """

    columns: slice
    corners: tuple[tuple[Tensor, Tensor], ...]
    plane: Tensor
    share: Tensor


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    return None if dtype in (torch.float32, torch.float64) else f"it computes in float32 or float64, not {dtype}"


def _columns(views, device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Number, x and y of the voxel columns inside, float64 where the device has it."""
    exact = torch.float32 if device.type == "mps" else torch.float64
    inside = views.inside().flatten().nonzero().flatten()
    x = views.x_mm()[:, None].expand(views.nx, views.ny).flatten()[inside]
    y = views.y_mm()[None, :].expand(views.nx, views.ny).flatten()[inside]
    return inside.to(device), x.to(exact).to(device), y.to(exact).to(device)


def _corners(number: int, x: Tensor, y: Tensor, views, size: int, dtype: torch.dtype) -> Iterator[_Corners]:
    """The corners of one view, some voxel columns at a time; size: numbers of one voxel column."""
    spread, exact, device = views.spread, x.dtype, x.device
    turned = views.angle_rad[number]
    c, n = float(turned.cos()), float(turned.sin())
    s, t = x * c + y * n, y * c - x * n
    place = s / views.bin_mm + views.middle_bins + 1
    reached = (place > 0) & (place < views.bins + 1)
    place = place.clamp(0, views.bins + 1)
    low = place.floor().clamp(max=views.bins).to(torch.int64)
    part = place - low
    at_foot, per_mm = (_between(values.to(exact).to(device), low, part) for values in (spread.at_foot, spread.per_mm))
    shrinks = 1 / (at_foot + per_mm * t)
    depth = torch.sqrt((views.radius_mm**2 - s * s).clamp(min=0)) + t
    light = torch.exp(-views.absorption_per_mm * depth.clamp(min=0)) * reached * shrinks
    if views.band is not None:
        light = light * views.band.weight(t)
    near_light, far_light = light * (1 - part), light * part
    if views.depths is not None:  # all planes are of one class
        near_light = near_light * views.depths.transmittance(number, low - 1, t)[:, 0]
        far_light = far_light * views.depths.transmittance(number, low, t)[:, 0]
    z = (torch.arange(spread.slices, dtype=exact, device=device) - (spread.slices - 1) / 2) * views.voxel_mm
    step = max(1, PIECE // size)
    for first in range(0, len(x), step):
        here = slice(first, first + step)
        height = spread.pupil_z_mm + (z - spread.pupil_z_mm) * shrinks[here, None]
        plane = (height / spread.plane_mm + (spread.planes - 1) / 2 + 1).clamp(0, spread.planes + 1)
        lower = plane.floor().clamp(max=spread.planes)
        near, far = (of_bin[here, None].to(dtype) for of_bin in (near_light, far_light))
        corners = ((low[here, None], near), (low[here, None] + 1, far))
        yield _Corners(here, corners, lower.to(torch.int64), (plane - lower).to(dtype))


def _between(values: Tensor, low: Tensor, part: Tensor) -> Tensor:
    """Values of the bins at places between them, the outermost values beyond."""
    padded = torch.cat([values[:1], values, values[-1:]])
    return padded[low] + part * (padded[low + 1] - padded[low])


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, batch * slice) of views (angle, bin, batch * plane), times gain. Memory: a few dose volumes."""
    spread, device, dtype = views.spread, views_array.device, views_array.dtype
    batch = views_array.shape[2] // spread.planes
    inside, x, y = _columns(views, device)
    dose = torch.zeros(len(inside), spread.slices, batch, device=device, dtype=dtype)
    for number_of_view, view in enumerate(views_array):
        planes = view.reshape(views.bins, batch, spread.planes).transpose(1, 2)
        padded = torch.nn.functional.pad(planes, (0, 0, 1, 1, 1, 1)).flatten(0, 1)
        for found in _corners(number_of_view, x, y, views, spread.slices * batch, dtype):
            for low, weight in found.corners:
                for upper, share in ((0, 1 - found.share), (1, found.share)):
                    number = low * (spread.planes + 2) + found.plane + upper
                    dose[found.columns] += padded[number] * (weight * share)[:, :, None]
    whole = torch.zeros(views.nx * views.ny, batch, spread.slices, device=device, dtype=dtype)
    whole[inside] = dose.transpose(1, 2)
    return whole.mul_(gain).reshape(views.nx, views.ny, batch * spread.slices)


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The exact transpose: views (angle, bin, batch * plane) of a volume (x, y, batch * slice), times gain."""
    spread, device, dtype = views.spread, volume.device, volume.dtype
    batch = volume.shape[2] // spread.slices
    inside, x, y = _columns(views, device)
    given = volume.reshape(views.nx * views.ny, batch, spread.slices)[inside].transpose(1, 2)
    out = torch.empty(views.angles, views.bins, batch * spread.planes, device=device, dtype=dtype)
    for number_of_view, view in enumerate(out):
        padded = torch.zeros((views.bins + 2) * (spread.planes + 2), batch, device=device, dtype=dtype)
        for found in _corners(number_of_view, x, y, views, spread.slices * batch, dtype):
            for low, weight in found.corners:
                for upper, share in ((0, 1 - found.share), (1, found.share)):
                    number = (low * (spread.planes + 2) + found.plane + upper).flatten()
                    padded.index_add_(0, number, (given[found.columns] * (weight * share)[:, :, None]).flatten(0, 1))
        planes = padded.unflatten(0, (views.bins + 2, spread.planes + 2))[1:-1, 1:-1]
        view.copy_(planes.transpose(1, 2).flatten(1))
    return out.mul_(gain)
