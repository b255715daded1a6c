"""Slices of one cross-section are designed once: an extruded part costs one slice."""

import dataclasses
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.quantities import Target
from lightlathe.solve import Problem, Solver, is_by_slice

PIECE = 1 << 26  # voxels that are looked at together


@dataclass(frozen=True)
class Distinct:
    """The slices of a problem that differ from each other.

    problem   of those slices, each of which counts as often as it occurs
    which     (slice,) int64: the distinct slice that each slice of the part is; None where all differ
    first     (distinct slice,) int64: the first slice that it is
    """

    problem: Problem
    which: Tensor | None = None
    first: Tensor | None = None

    def taken(self, patterns: Tensor) -> Tensor:
        """Patterns of the distinct slices, from those of all."""
        return patterns if self.first is None else patterns[..., self.first].contiguous()

    def spread(self, patterns: Tensor) -> Tensor:
        """Patterns of all slices, from those of the distinct ones."""
        return patterns if self.which is None else patterns[..., self.which].contiguous()


def distinct(problem: Problem, solver: Solver) -> Distinct:
    """The distinct slices of a problem, where the solver designs every slice on its own."""
    if not is_by_slice(solver, problem):
        return Distinct(problem)
    which = same_slices(problem.target)
    found, counts = which.unique(return_counts=True)  # ascending: each is named by its first slice
    if len(found) == len(which):
        return Distinct(problem)
    few = problem.of_slices(found)
    few = dataclasses.replace(few, target=dataclasses.replace(few.target, repeats=counts))
    return Distinct(few, torch.searchsorted(found, which), found)


def same_slices(target: Target) -> Tensor:
    """(slice,) int64: the first slice that looks exactly like each slice.

    Candidates are found by a sum of random whole numbers, modulo 2^64, and then compared voxel by voxel.
    """
    volumes = [v for v in (target.solid, target.liquid, target.weight, target.dose) if v is not None]
    nx, ny, nz = target.solid.shape
    device = target.solid.device
    sums = torch.zeros(nz, dtype=torch.int64, device=device)
    generator = torch.Generator().manual_seed(0)
    rows = max(1, PIECE // (ny * nz))
    for volume in volumes:
        for start in range(0, nx, rows):
            piece = volume[start : start + rows].flatten(0, 1)
            numbers = piece.to(torch.int64) if piece.dtype == torch.bool else _bits(piece)
            odd = torch.randint(-(2**62), 2**62, (len(piece), 1), generator=generator).to(device)
            sums += (numbers * odd).sum(0)
    _, which = sums.unique(return_inverse=True)
    first = torch.full((nz,), nz, dtype=torch.int64, device=device)
    first.scatter_reduce_(0, which, torch.arange(nz, device=device), "amin")
    first = first[which]
    equal = torch.ones(nz, dtype=torch.bool, device=device)
    for volume in volumes:
        for start in range(0, nx, rows):
            piece = volume[start : start + rows]
            equal &= (piece == piece[..., first]).all(0).all(0)
    return torch.where(equal, first, torch.arange(nz, device=device))


def _bits(values: Tensor) -> Tensor:
    """Floating-point numbers as whole ones, equal where they are."""
    return values.to(torch.float64).view(torch.int64)
