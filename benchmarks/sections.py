"""Ten unlike flat shapes in a vial of radius 1 mm, their operators, and the best window any patterns give them."""

import dataclasses
import functools
import math

import numpy as np
import scipy.sparse as sparse
import torch
from scipy.optimize import linprog
from torch import Tensor

from lightlathe.beams.telecentric import Telecentric, full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.quantities import Grid, Optics, Target
from lightlathe.solve import normalised


def disc(x: Tensor, y: Tensor) -> Tensor:
    return x * x + y * y <= 0.25


def ring(x: Tensor, y: Tensor) -> Tensor:
    radius = torch.hypot(x, y)
    return (radius >= 0.35) & (radius <= 0.65)


def bored_plate(x: Tensor, y: Tensor) -> Tensor:
    u, v = x * math.cos(0.3) + y * math.sin(0.3), y * math.cos(0.3) - x * math.sin(0.3)
    return (u.abs() <= 0.5) & (v.abs() <= 0.5) & ((u - 0.1) ** 2 + (v + 0.05) ** 2 > 0.04)


def gear(x: Tensor, y: Tensor) -> Tensor:
    radius, angle = torch.hypot(x, y), torch.atan2(y, x)
    return (radius <= 0.55 + 0.12 * torch.sign(torch.cos(8 * angle))) & (radius >= 0.18)


def spokes(x: Tensor, y: Tensor) -> Tensor:
    radius, angle = torch.hypot(x, y), torch.atan2(y, x)
    return (radius <= 0.75) & ((torch.cos(5 * angle) > 0.45) | (radius < 0.2))


def two_pins(x: Tensor, y: Tensor) -> Tensor:
    return ((x - 0.38) ** 2 + (y - 0.1) ** 2 <= 0.06) | ((x + 0.35) ** 2 + (y + 0.2) ** 2 <= 0.045)


def hook(x: Tensor, y: Tensor) -> Tensor:
    radius = torch.hypot(x, y)
    return (radius >= 0.35) & (radius <= 0.68) & (torch.atan2(y, x).abs() >= 0.7)


def caged_ball(x: Tensor, y: Tensor) -> Tensor:
    radius, angle = torch.hypot(x, y), torch.atan2(y, x)
    return (radius <= 0.3) | ((radius >= 0.5) & (radius <= 0.72) & (torch.cos(3 * angle) > -0.55))


def gyroid(x: Tensor, y: Tensor) -> Tensor:
    k, z = 2 * math.pi / 0.75, 0.6
    level = torch.sin(k * x) * torch.cos(k * y) + torch.sin(k * y) * math.cos(z) + math.sin(z) * torch.cos(k * x)
    return (level.abs() < 0.55) & (x * x + y * y < 0.64)


def comb(x: Tensor, y: Tensor) -> Tensor:
    bar = (y + 0.45).abs() <= 0.12
    teeth = (y > -0.45) & (y <= 0.5) & (torch.cos(2 * math.pi * x / 0.4) > 0)
    return (x.abs() <= 0.6) & (bar | teeth)


SECTIONS = {f.__name__: f for f in (disc, ring, bored_plate, gear, spokes, two_pins, hook, caged_ball, gyroid, comb)}


def coverage(section: str, voxels: int, parts: int = 8) -> Tensor:
    """(x, y, 1) covered fraction of each voxel, from parts x parts points."""
    places = (torch.arange(voxels * parts, dtype=torch.float64) - (voxels * parts - 1) / 2) * 2 / (voxels * parts)
    points = SECTIONS[section](places[:, None], places[None, :]).double()
    return points.reshape(voxels, parts, voxels, parts).mean((1, 3))[:, :, None]


def target(section: str, voxels: int) -> Target:
    """Voxels at least half covered are the part, all others in the vial must stay liquid."""
    half = coverage(section, voxels) >= 0.5
    inside = Grid((voxels, voxels, 1), 2 / voxels).inside(1.0)[:, :, None]
    return Target(solid=half & inside, liquid=inside & ~half)


@functools.cache
def plain_operator(voxels: int, angles: int, absorption: float, columns: int) -> DoseOperator:
    """One slice, parallel light, `columns` pixels and `voxels` voxels across the vial; float64 on the CPU."""
    chords = Telecentric().chords(angle_rad=full_turn(angles), columns=columns, rows=1, pixel_mm=2 / columns)
    chords = dataclasses.replace(chords, row_mm=2 / voxels)
    grid = Grid((voxels, voxels, 1), 2 / voxels)
    return DoseOperator(Optics(chords, 1.0, absorption), grid, Backend("cpu", dtype=torch.float64))


@dataclasses.dataclass(frozen=True)
class Sections:
    section: str
    voxels: int
    angles: int
    absorption: float
    columns: int

    @property
    def target(self) -> Target:
        return target(self.section, self.voxels)

    @property
    def operator(self) -> DoseOperator:
        return normalised(plain_operator(self.voxels, self.angles, self.absorption, self.columns), self.target)


def cases(voxels: int, angles: int, absorptions: tuple[float, ...], columns: int | None = None) -> list[Sections]:
    return [Sections(name, voxels, angles, mu, columns or voxels) for mu in absorptions for name in SECTIONS]


@functools.cache
def matrix(voxels: int, angles: int, absorption: float, columns: int) -> sparse.csr_matrix:
    """The plain operator as a sparse matrix [voxel, angle * columns + column]."""
    grid, blocks = Grid((voxels, voxels, columns), 2 / voxels), []
    for angle in full_turn(angles):
        chords = Telecentric().chords(angle_rad=angle[None], columns=columns, rows=columns, pixel_mm=2 / columns)
        chords = dataclasses.replace(chords, row_mm=2 / voxels)  # slice k sees row k alone
        backend = Backend("cpu", dtype=torch.float64)
        one = DoseOperator(Optics(chords, 1.0, absorption), grid, backend, gain=1 / angles)
        block = one(torch.eye(columns, dtype=torch.float64)[None]).reshape(voxels * voxels, columns)
        blocks.append(sparse.csr_matrix(block.numpy()))
    return sparse.csr_matrix(sparse.hstack(blocks))


@functools.cache
def best_ratio(case: Sections, limit: float | None = None) -> float:
    """Least max outside / min inside over all patterns, by scipy's HiGHS: minimise r, A_out g <= r, A_in g >= 1.

    limit   highest level in the units of the case's operator, for a least dose of 1 in the part
    """
    rows = matrix(case.voxels, case.angles, case.absorption, case.columns) * (case.operator.gain * case.angles)
    inside, outside = (rows[mask.flatten().numpy()] for mask in (case.target.solid, case.target.liquid))
    above = sparse.hstack([outside, -np.ones((outside.shape[0], 1))])
    below = sparse.hstack([-inside, sparse.csr_matrix((inside.shape[0], 1))])
    right = np.concatenate([np.zeros(outside.shape[0]), -np.ones(inside.shape[0])])
    cost = np.zeros(rows.shape[1] + 1)
    cost[-1] = 1
    bounds = [(0, limit)] * rows.shape[1] + [(0, None)]
    method = "highs-ipm" if rows.shape[1] > 5000 else "highs"
    found = linprog(cost, A_ub=sparse.vstack([above, below]).tocsr(), b_ub=right, bounds=bounds, method=method)
    if found.status != 0:
        raise RuntimeError(f"{case}: HiGHS gave up: {found.message}")
    return float(found.fun)
