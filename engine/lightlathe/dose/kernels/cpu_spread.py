"""The CPU kernel for rows that spread with depth; as cpu.py, whose tiles and tables it takes.

Repeats: as there, each number is summed by one thread in one fixed order.
"""

import math
from typing import Any

import numpy as np
import torch
from torch import Tensor

from lightlathe.dose.kernels import cpu
from lightlathe.support.threads import share_out


def why_not(views, device: torch.device, dtype: torch.dtype) -> str | None:
    """None where this kernel can run, else the reason it cannot."""
    return cpu.why_not(views, device, dtype)


def deposit(views_array: Tensor, views, gain: float = 1.0, most: float | None = None) -> Tensor:
    """Dose (x, y, batch * slice) of views (angle, bin, batch * plane), times gain. Memory: 2 MB a thread beside input
    and output."""
    from lightlathe.dose.kernels.cpu_spread_loops import deposit_tiles

    light, spread = cpu.as_numpy(views_array), views.spread
    dose = np.zeros(views.dose_shape(light.shape[2] // spread.planes * spread.slices), light.dtype)
    depths = _depths(views, slice(0, views.angles))
    tiles, fixed = cpu.tiles_of(views), (*cpu.geometry(views, gain), *_spread(views), depths)
    share_out(lambda first, last: deposit_tiles(light, dose, tiles[first:last], *fixed), len(tiles), max_items=4)
    return torch.from_numpy(dose)


def collect(volume: Tensor, views, gain: float = 1.0) -> Tensor:
    """The exact transpose: views (angle, bin, batch * plane) of a volume (x, y, batch * slice), times gain."""
    from lightlathe.dose.kernels.cpu_spread_loops import ANGLES_PER_PASS, collect_angles

    dose, spread = cpu.as_numpy(volume), views.spread
    light = np.zeros(views.view_shape(dose.shape[2] // spread.slices * spread.planes), dose.dtype)
    tiles = cpu.tiles_of(views)
    (cos, sin, *fixed), rest = cpu.geometry(views, gain), _spread(views)

    def work(first: int, last: int) -> None:
        given: Any = (tiles, cos[first:last], sin[first:last], *fixed, *rest, _depths(views, slice(first, last)))
        collect_angles(dose, light[first:last], *given)

    share_out(work, views.angles, max_items=ANGLES_PER_PASS)
    return torch.from_numpy(light)


def _depths(views, taken: slice) -> tuple[Any, ...] | None:
    return None if views.depths is None else cpu.lists_of(views.depths, taken)


def _spread(views) -> tuple:
    """What the loops take of the spread: at_foot and per_mm of the bins and one beyond each end; heights; sizes.

    heights   plane at the pupil's height, slice there, and planes between two slices at M = 1: slice k reads at plane
              the first + (k - the second) * the third / M
    sizes     planes, slices, the most nodes of a tile, planes that a block of slices reads at most
    """
    from lightlathe.dose.kernels.cpu_spread_loops import NODE_ROWS
    from lightlathe.dose.kernels.cpu_tiles import SLICES, TILE
    from lightlathe.dose.kernels.cpu_vectors import REACH, SHIFTS

    spread, voxel = views.spread, views.voxel_mm
    padded = tuple(np.pad(values.numpy(), 1, mode="edge") for values in (spread.at_foot, spread.per_mm))
    far = max(spread.far_mm(voxel), voxel)
    apart = NODE_ROWS * spread.row_mm / far  # of 1 / M, between two nodes
    across = (TILE - 1) * math.sqrt(2) * voxel
    slope = max((float(v.diff().abs().amax()) for v in (spread.at_foot, spread.per_mm) if len(v) > 1), default=0.0)
    steepest = float(spread.per_mm.abs().amax()) + slope * (1 + views.radius_mm) / views.bin_mm
    whole = 1 / spread.least - 1 / spread.most
    nodes = math.ceil(min(across * steepest / spread.least**2, whole) / apart) + 2
    width = (
        math.ceil(SLICES * voxel / spread.least / spread.plane_mm + far * whole / spread.plane_mm) + 4 + REACH + SHIFTS
    )
    at_zero = spread.pupil_z_mm / spread.plane_mm + (spread.planes - 1) / 2
    heights = at_zero, spread.pupil_z_mm / voxel + (spread.slices - 1) / 2, voxel / spread.plane_mm
    return (*padded, heights, apart, (spread.planes, spread.slices, nodes, width))
