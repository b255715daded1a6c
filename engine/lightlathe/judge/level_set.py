"""Points of the surface where a volume passes a level, between voxel centres."""

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from lightlathe.quantities import IGNORED, Grid, Volume

SLAB_VOXELS = 1 << 24  # of the volume looked at in one go


@dataclass(frozen=True, eq=False)
class SurfacePoints:
    """Points of a surface with the area that each stands for.

    points_mm   (n, 3) float64, in the vial's frame
    normals     (n, 3) float64, unit vectors out of the solid
    area        (n,) float64, relative
    spacing_mm  about how far apart neighbours lie, at most
    triangles   (n, 3, 3) float64 mm: the triangle that each lies on; None where the surface has none
    """

    points_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    area: NDArray[np.float64]
    spacing_mm: float
    triangles: NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return len(self.points_mm)

    def some(self, most: int) -> "SurfacePoints":
        """These, or `most` of them drawn at random, the same in every run."""
        if len(self) <= most:
            return self
        return self.kept(np.sort(np.argpartition(_shuffled(np.arange(len(self))), most)[:most]))

    def kept(self, which: NDArray) -> "SurfacePoints":
        """Those of an index or a mask."""
        triangles = None if self.triangles is None else self.triangles[which]
        return SurfacePoints(self.points_mm[which], self.normals[which], self.area[which], self.spacing_mm, triangles)


class Crossings:
    """Where lines between neighbouring voxel centres pass from above a level to it or below: surface points.

    The volume comes in slabs of slices, in order (`add`), or whole (`crossings`): the points are the same.

    most        more points than that are thinned at random, the same in every run
    fractions   the volume holds covered fractions: where one centre's voxel is cut and the other's is not, the cut
                one's fraction alone says where the surface lies, as for a face square to the line

    Normals run down the gradient, by central differences between centres. A surface of normal n is met by
    |n_x| + |n_y| + |n_z| lines a voxel face's area, so a point stands for an area of the inverse of that.
    Memory   four slices more than a slab, flags of a slab, and some 150 bytes for each of `most` points.
    """

    def __init__(self, level: float, grid: Grid, most: int, *, fractions: bool = False) -> None:
        self.level, self.grid, self.most, self.fractions = level, grid, most, fractions
        self.number = self.done = 0  # crossings so far; slices whose lines have been looked at
        self.waiting: tuple[Tensor, Tensor] | None = None  # slices that lines of later ones need, from done - 1
        self.found: list[tuple[NDArray[np.uint64], NDArray[np.float64]]] = []  # order, and points and slopes (n, 6)

    @property
    def complete(self) -> bool:
        return self.done == self.grid.shape[2]

    def add(self, slab: Tensor, judged: Tensor | None) -> None:
        """The next slices. (x, y, slice) values, any device, and uint8: nothing counts beside an IGNORED voxel."""
        told = torch.ones_like(slab, dtype=torch.bool) if judged is None else judged.to(slab.device) != IGNORED
        if self.waiting is not None:
            slab, told = torch.cat([self.waiting[0], slab], 2), torch.cat([self.waiting[1], told], 2)
        first = max(self.done - 1, 0)  # of the slab
        end = first + slab.shape[2]
        until = end if end == self.grid.shape[2] else end - 2  # lines of a slice need the two above for their slopes
        if until > self.done:
            self._look(slab.contiguous(), told, first, until)
            self.done = until
        keep = max(self.done - 1, 0) - first
        self.waiting = slab[:, :, keep:].clone(), told[:, :, keep:].clone()

    def _look(self, slab: Tensor, told: Tensor, first: int, until: int) -> None:
        """Lines that begin in slices `done` to `until`, along x, y and z."""
        nx, ny, nz = slab.shape
        above, low, high = slab > self.level, self.done - first, until - first
        ends, axes = [], []
        for axis in range(3):
            stop = min(high, nz - 1) if axis == 2 else high
            n = (nx - 1, ny - 1, stop - low)[axis]
            a, t = (v if axis == 2 else v[:, :, low:stop] for v in (above, told))
            start = low if axis == 2 else 0
            pair = a.narrow(axis, start, n) != a.narrow(axis, start + 1, n)
            pair &= t.narrow(axis, start, n) & t.narrow(axis, start + 1, n)
            ends.append(pair.nonzero().cpu() + torch.tensor([0, 0, low]))
            axes.append(torch.full((len(ends[-1]),), axis))
        index, axis = torch.cat(ends), torch.cat(axes)
        self.number += len(index)
        lines = ((index[:, 0] * ny + index[:, 1]) * self.grid.shape[2] + index[:, 2] + first) * 3 + axis
        order = _shuffled(lines.numpy())
        if len(order) > self.most:
            least = np.argpartition(order, self.most)[: self.most]
            index, axis, order = index[least], axis[least], order[least]
        self.found.append((order, self._points(slab, index, axis, first)))
        if sum(len(o) for o, _ in self.found) > 2 * self.most:
            self.found = [self._thinned()]

    def _points(self, slab: Tensor, index: Tensor, axis: Tensor, first: int) -> NDArray[np.float64]:
        """(n, 6): places in voxels from the grid's first, and slopes downhill."""
        shape, flat = slab.shape, slab.reshape(-1)
        steps = torch.tensor([shape[1] * shape[2], shape[2], 1])
        at = (index * steps).sum(1)
        low = flat[at.to(slab.device)].double().cpu()
        high = flat[(at + steps[axis]).to(slab.device)].double().cpu()
        share = (self.level - low) / (high - low)
        if self.fractions:
            share = _of_cut_voxels(low, high, self.level, share)
        along = torch.nn.functional.one_hot(axis, 3)
        below, above = (_gradient(flat, index + along * end, steps, shape) for end in (0, 1))
        places = index + along * share[:, None] + torch.tensor([0, 0, first])
        return torch.cat([places, -torch.lerp(below, above, share[:, None])], dim=1).numpy()

    def _thinned(self) -> tuple[NDArray[np.uint64], NDArray[np.float64]]:
        """The `most` points that come first in the order, sorted by it."""
        order, points = (np.concatenate(parts) for parts in zip(*self.found, strict=True))
        least = np.argsort(order, kind="stable")[: self.most]
        return order[least], points[least]

    def points(self) -> SurfacePoints:
        """All that was found, once the last slab is in."""
        assert self.complete
        _, found = self._thinned()
        downhill = found[:, 3:] / np.maximum(np.linalg.norm(found[:, 3:], axis=1, keepdims=True), 1e-300)
        middle = (np.array(self.grid.shape) - 1) / 2
        area = 1 / np.maximum(np.abs(downhill).sum(1), 1e-3)
        spacing_mm = self.grid.voxel_mm * max(1.0, self.number / self.most) ** 0.5
        return SurfacePoints((found[:, :3] - middle) * self.grid.voxel_mm, downhill, area, spacing_mm)


def crossings(
    volume: Volume, level: float, grid: Grid, judged: Volume | None, most: int, *, fractions: bool = False
) -> SurfacePoints:
    """The points of `Crossings` of a whole volume (x, y, z)."""
    found = Crossings(level, grid, most, fractions=fractions)
    nx, ny, nz = grid.shape
    thick = max(1, SLAB_VOXELS // (nx * ny))
    for first in range(0, nz, thick):
        told = None if judged is None else judged[:, :, first : first + thick]
        found.add(volume[:, :, first : first + thick], told)
    return found.points()


def _shuffled(numbers: NDArray[np.int64]) -> NDArray[np.uint64]:
    """A fixed random order of whole numbers: SplitMix64 (Steele, Lea, Flood, OOPSLA 2014), which is one to one."""
    with np.errstate(over="ignore"):
        z = (numbers.astype(np.uint64) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


def _of_cut_voxels(low: Tensor, high: Tensor, level: float, share: Tensor) -> Tensor:
    """The place between two centres, 0..1: from the one cut voxel alone where the other is full or empty."""
    cut_low, cut_high = (low > 0) & (low < 1), (high > 0) & (high < 1)
    down = torch.where(low > high, 1.0, -1.0).double()
    share = torch.where(cut_low & ~cut_high, down * (low - level), share)
    share = torch.where(cut_high & ~cut_low, 1 + down * (high - level), share)
    return share.clamp(0, 1)


def _gradient(flat: Tensor, index: Tensor, steps: Tensor, shape: tuple[int, ...]) -> Tensor:
    """(n, 3) float64: differences a voxel at voxel centres, central ones but at the grid's faces."""
    found = []
    here = (index * steps).sum(1)
    for axis, n in enumerate(shape):
        up, down = (index[:, axis] + 1).clamp(max=n - 1), (index[:, axis] - 1).clamp(min=0)
        ends = [flat[(here + (end - index[:, axis]) * steps[axis]).to(flat.device)].double() for end in (up, down)]
        found.append((ends[0] - ends[1]).cpu() / (up - down).clamp(min=1))
    return torch.stack(found, dim=1)
