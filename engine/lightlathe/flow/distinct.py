"""Slices of one cross-section are designed once, and empty ones not at all: an extruded part costs one slice.

Where illumination differs from row to row, only those that are illuminated alike as well."""

import dataclasses
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.quantities import ByRow, Light, Target
from lightlathe.solve import Auto, Problem, Solver, is_by_slice

PIECE = 1 << 25  # voxels that are looked at together


@dataclass(frozen=True)
class Distinct:
    """What is left to design of a problem where every slice has a row of patterns to itself.

    problem   of the slices that hold part and differ from each other, each of which counts as often as it occurs
    rows      (slice with part,) int64: the row of the whole that lights it; None where `problem` is the whole
    which     (slice with part,) int64: which of the distinct slices it is
    first     (distinct slice,) int64: the row of the whole that lights its first occurrence
    count     rows of the whole
    """

    problem: Problem
    rows: Tensor | None = None
    which: Tensor | None = None
    first: Tensor | None = None
    count: int = 0

    def taken(self, patterns: Tensor) -> Tensor:
        """Patterns of the distinct slices, from those of the whole."""
        return patterns if self.first is None else patterns[..., self.first].contiguous()

    def spread(self, patterns: Light) -> Light:
        """Patterns of the whole, from those of the distinct slices; rows that light no part stay dark."""
        if self.rows is None or self.which is None:
            return patterns
        if isinstance(patterns, ByRow):
            return self._spread_by_row(patterns, self.rows, self.which)
        whole = patterns.new_zeros(*patterns.shape[:-1], self.count)
        whole[..., self.rows] = patterns[..., self.which]
        return whole

    def _spread_by_row(self, patterns: ByRow, lit: Tensor, which: Tensor) -> ByRow:
        of_row = torch.full((self.count,), -1)
        of_row[lit.cpu()] = which.cpu()

        def made(rows: Tensor) -> Tensor:
            wanted = of_row[rows]
            if bool((wanted >= 0).all()):
                return patterns.made(wanted)
            whole = torch.zeros(*patterns.shape[:2], len(rows), dtype=patterns.dtype, device=patterns.device)
            whole[:, :, (wanted >= 0).nonzero().flatten()] = patterns.made(wanted[wanted >= 0])
            return whole

        return dataclasses.replace(patterns, shape=(*patterns.shape[:2], self.count), made=made)


def distinct(problem: Problem, solver: Solver | Auto) -> Distinct:
    """The distinct slices of a problem, where the solver can design every slice on its own; else the whole."""
    rows, target = problem.operator.row_of_slice, problem.target
    rows = None if rows is None else rows.to(target.solid.device)
    part = target.with_part
    if rows is None or problem.penalties or bool((part & (rows < 0)).any()) or not bool(part.any()):
        return Distinct(problem)
    alike = same_slices(target, problem.operator.class_of_slice, problem.operator.device).to(part.device)
    if (light := problem.operator.light_of_slice) is not None:
        alike = both_same(alike, same_columns(light).to(alike.device))
    found, which, counts = alike[part].unique(return_inverse=True, return_counts=True)
    few = problem.of_slices(found)
    if not is_by_slice(solver, few):
        return Distinct(problem)
    few = dataclasses.replace(few, target=dataclasses.replace(few.target, repeats=counts))
    return Distinct(few, rows[part], which, rows[found], problem.operator.pattern_shape[2])


def same_slices(target: Target, class_of_slice: Tensor | None = None, device: torch.device | None = None) -> Tensor:
    """(slice,) int64: the first slice that looks exactly like each slice, and takes light in the same way where
    `class_of_slice` (slice,) of a linear map tells slices apart. Computed on `device`, that of the target if None.

    Candidates are found by a sum of random whole numbers, modulo 2^64, and then compared voxel by voxel.
    """
    volumes = [v for v in (target.solid, target.liquid, target.weight, target.dose) if v is not None]
    nx, ny, nz = target.solid.shape
    device = device or target.solid.device
    if class_of_slice is not None:
        volumes.append(class_of_slice[None, None])
    sums, slices = torch.zeros(nz, dtype=torch.int64, device=device), torch.arange(nz)
    generator = torch.Generator().manual_seed(0)
    together = max(1, PIECE // (nx * ny))
    for volume in volumes:
        odd = torch.randint(-(2**62), 2**62, (volume.shape[0] * volume.shape[1], 1), generator=generator).to(device)
        for here in slices.split(together):
            piece = _taken(volume, here, device).flatten(0, 1)
            numbers = piece.to(torch.int64) if piece.dtype == torch.bool else _bits(piece)
            sums[here.to(device)] += (numbers * odd).sum(0)
    first = _first(sums.unique(return_inverse=True)[1]).cpu()
    equal = torch.ones(nz, dtype=torch.bool)
    for here in (first != slices).nonzero().flatten().split(together):
        for volume in volumes:
            same = _taken(volume, here, device) == _taken(volume, first[here], device)
            equal[here] &= same.all(0).all(0).cpu()
    return torch.where(equal, first, slices).to(device)


def _taken(volume: Tensor, slices: Tensor, device: torch.device) -> Tensor:
    """(x, y, slice) some slices, on a device."""
    return volume[..., slices.to(volume.device)].to(device)


def same_columns(light: Tensor) -> Tensor:
    """(slice,) int64: the first slice that is illuminated exactly like each, of `LinearMap.light_of_slice`."""
    return _first(light.unique(dim=1, return_inverse=True)[1])


def both_same(one: Tensor, other: Tensor) -> Tensor:
    """(slice,) int64: the first slice that is the same as each by both, of which either says it like `same_slices`."""
    return _first((one * len(one) + other).unique(return_inverse=True)[1])


def _first(which: Tensor) -> Tensor:
    """(slice,) int64: the first slice with the same number as each."""
    nz = len(which)
    first = which.new_full((nz,), nz)
    first.scatter_reduce_(0, which, torch.arange(nz, device=which.device), "amin")
    return first[which]


def _bits(values: Tensor) -> Tensor:
    """Floating-point numbers as whole ones, equal where they are."""
    return values.to(torch.float64).view(torch.int64)
