"""Tables that the GPU kernels read: where a voxel falls on each view, and which views run side by side.

Views half a turn apart share a direction: a voxel falls at `place` on one and at `-place` on the other.

A voxel (i, j), counted from the grid's centre, falls on view a at place = i * c + j * s bins from the axis,
c and s being the cosine and sine of its angle in bins per voxel. In float32 that product is off by 1e-5 of a bin at
512 voxels, so c and s are split in two: a part of 12 bits, whose products are exact, and a rest.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import torch
from torch import Tensor

STEP = 2.0**-12  # i is a multiple of 0.5 below 2^11, so i * (multiple of STEP) has at most 24 bits
BLOCK_VOXELS = 256  # a wider grid is collected block by block, as neighbouring views drift apart away from a centre
SPREAD_RAD = 0.2  # widest fan of directions that may share a strip: its runs of voxels stay short


def split(value: Tensor) -> tuple[Tensor, Tensor]:
    """float64 -> (coarse, rest) in float32, coarse a multiple of STEP, their sum exact to 2^-36."""
    coarse = (value / STEP).round() * STEP
    return coarse.float(), (value - coarse).float()


def vial(views) -> tuple[float, float, float, int]:
    """Radius in bins, in two parts; log2 of the light lost per bin; the circle: (2i-nx+1)^2 + (2j-ny+1)^2 <= limit."""
    limit = math.floor((2 * views.radius_mm / views.voxel_mm) ** 2 * (1 + 1e-12))
    decay = -views.absorption_per_mm * views.bin_mm * math.log2(math.e)
    radius = views.radius_mm / views.bin_mm
    coarse = round(radius * 4096) / 4096
    return coarse, radius - coarse, decay, min(limit, 2**25)


@lru_cache(maxsize=16)
def bounds(most: float, device: torch.device) -> tuple[Tensor, Tensor]:
    """Least and largest number, 0-d float32 on the device, of an array whose moduli do not exceed `most`."""
    return torch.full((), -most, device=device), torch.full((), most, device=device)


def blocks(voxels: int) -> list[tuple[int, int]]:
    """A side of the grid in pieces of about BLOCK_VOXELS, starting on multiples of 8 voxels."""
    number = max(1, round(voxels / BLOCK_VOXELS)) if voxels > 1.5 * BLOCK_VOXELS else 1
    side = 8 * math.ceil(voxels / number / 8)
    return [(start, min(voxels, start + side)) for start in range(0, voxels, side)]


@dataclass(frozen=True)
class Groups:
    """Neighbouring directions that are gathered together; a view and the opposite one share a direction.

    table   (group, member, 6) float32: as in opposites, but along the group's main axis u, then across it, v;
            then the step along u per line of v that keeps to one place, and voxels along u per bin
    member  (group, member, 2) int32: the view in that direction and the opposite one, -1 where there is none
    main    (group,) int32: 0 where u is x (light runs mostly along y), 1 where u is y
    widest  the largest |c| + |s| in the table: bins that a square of one voxel may cover
    """

    table: Tensor
    member: Tensor
    main: Tensor
    widest: float


def middle(views) -> tuple[float, float]:
    """The bin at the axis, counted from bin 0, in two parts: float32 adds the first to a place without rounding."""
    coarse = round(views.middle_bins / STEP) * STEP
    return coarse, views.middle_bins - coarse


def reach(views) -> float:
    """How far from the axis places may lie, in bins, on either side: what float32 must tell apart."""
    across = max(views.nx, views.ny) * views.voxel_mm / views.bin_mm
    return max(views.nx, views.ny, across, views.bins + 2 * abs(views.middle_mm) / views.bin_mm)


def directions_of(views) -> list[tuple[float, int, int]]:
    """As `pairs`; each view alone where the bins' middle is off the axis: none is another's mirror image there."""
    if views.middle_mm == 0:
        return pairs(views.angle_rad)
    return sorted((angle % math.tau, number, -1) for number, angle in enumerate(views.angle_rad.tolist()))


def pairs(angle_rad: Tensor) -> list[tuple[float, int, int]]:
    """(direction in [0, pi), view, opposite view or -1), sorted by direction; a lone opposite view gives (d, -1, b)."""
    entries = []
    for number, angle in enumerate(angle_rad.tolist()):
        turn = angle / math.pi
        half = math.floor(turn + 1e-11)
        entries.append((max(0.0, (turn - half)) * math.pi, half % 2, number))
    entries.sort(key=lambda e: (round(e[0], 10), e[1]))
    found: list[tuple[float, int, int]] = []
    waiting: list[tuple[float, int]] = []  # views of this direction that still lack an opposite
    for direction, opposite, number in entries:
        if waiting and abs(waiting[0][0] - direction) > 1e-9:
            found += [(d, n, -1) for d, n in waiting]
            waiting = []
        if not opposite:
            waiting.append((direction, number))
        elif waiting:
            d, n = waiting.pop(0)
            found.append((d, n, number))
        else:
            found.append((direction, -1, number))
    return sorted(found + [(d, n, -1) for d, n in waiting])


@lru_cache(maxsize=16)
def opposites(views, device: torch.device) -> tuple[Tensor, Tensor]:
    """(direction, 4) float32: coarse c and s, rests of c and s; (direction, 2) int32: its view, the opposite one."""
    found = directions_of(views)
    angle = torch.tensor([direction for direction, _, _ in found], dtype=torch.float64)
    scale = views.voxel_mm / views.bin_mm
    (c, c_rest), (s, s_rest) = split(angle.cos() * scale), split(angle.sin() * scale)
    member = torch.tensor([members for _, *members in found], dtype=torch.int32)
    return torch.stack([c, s, c_rest, s_rest], 1).to(device), member.to(device)


@lru_cache(maxsize=16)
def groups(views, size: int, device: torch.device) -> Groups:
    """Directions in groups of `size` neighbours; short groups repeat their last direction without views."""
    gathered: list[list[tuple[float, int, int]]] = []
    for entry in directions_of(views):
        if not gathered or len(gathered[-1]) == size or entry[0] - gathered[-1][0][0] > SPREAD_RAD:
            gathered.append([])
        gathered[-1].append(entry)
    member = torch.full((len(gathered), size, 2), -1, dtype=torch.int32)
    angle = torch.empty(len(gathered), size, dtype=torch.float64)
    for g, entries in enumerate(gathered):
        for m in range(size):
            angle[g, m] = entries[min(m, len(entries) - 1)][0]
            if m < len(entries):
                member[g, m] = torch.tensor(entries[m][1:])
    scale = views.voxel_mm / views.bin_mm
    c, s = angle.cos() * scale, angle.sin() * scale
    main = s.abs().sum(1) > c.abs().sum(1)
    along, across = torch.where(main[:, None], s, c), torch.where(main[:, None], c, s)
    (u, u_rest), (v, v_rest) = split(along), split(across)
    slope, stretch = (-across / along).float(), (1 / along).float()
    table = torch.stack([u, v, u_rest, v_rest, slope, stretch], 2)
    return Groups(
        table.to(device), member.to(device), main.to(torch.int32).to(device), float((c.abs() + s.abs()).max())
    )
