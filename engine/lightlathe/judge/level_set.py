"""Points of the surface where a volume passes a level, between voxel centres."""

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from lightlathe.quantities import IGNORED, Grid

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
        return self if len(self) <= most else self.kept(chosen(len(self), most))

    def kept(self, which: NDArray) -> "SurfacePoints":
        """Those of an index or a mask."""
        triangles = None if self.triangles is None else self.triangles[which]
        return SurfacePoints(self.points_mm[which], self.normals[which], self.area[which], self.spacing_mm, triangles)


def chosen(of: int, most: int) -> NDArray[np.int64]:
    """`most` of so many, drawn at random without repeats, sorted; the same in every run."""
    return np.sort(np.random.default_rng(0).choice(of, most, replace=False))


def crossings(
    volume: Tensor, level: float, grid: Grid, judged: Tensor, most: int, *, fractions: bool = False
) -> SurfacePoints:
    """Where lines between neighbouring voxel centres pass from above a level to it or below: surface points.

    volume      (x, y, z) float, any device; linear between centres
    judged      (x, y, z) uint8: nothing counts beside an IGNORED voxel: the vial's wall and inserts are no surface
    most        more points than that are thinned at random, the same in every run
    fractions   the volume holds covered fractions: where one centre's voxel is cut and the other's is not, the cut
                one's fraction alone says where the surface lies, as for a face square to the line

    Normals run down the gradient, by central differences between centres. A surface of normal n is met by
    |n_x| + |n_y| + |n_z| lines a voxel face's area, so a point stands for an area of the inverse of that.
    Memory   a slab of flags, and 9 bytes a crossing, twice while they are put together.
    """
    at, axis = _found(volume, level, judged)
    spacing_mm = grid.voxel_mm * max(1.0, len(at) / most) ** 0.5
    if len(at) > most:
        keep = torch.from_numpy(chosen(len(at), most))
        at, axis = at[keep], axis[keep]
    axis = axis.long()
    shape, flat = grid.shape, volume.reshape(-1)
    steps = torch.tensor([shape[1] * shape[2], shape[2], 1])
    index = torch.stack([at // steps[0], at // steps[1] % shape[1], at % shape[2]], dim=1)
    device = volume.device
    low = flat[at.to(device)].double().cpu()
    high = flat[(at + steps[axis]).to(device)].double().cpu()
    share = (level - low) / (high - low)
    if fractions:
        share = _of_cut_voxels(low, high, level, share)
    along = torch.nn.functional.one_hot(axis, 3)
    below, above = (_gradient(flat, index + along * end, steps, shape) for end in (0, 1))
    downhill = -torch.lerp(below, above, share[:, None])
    downhill /= downhill.norm(dim=1, keepdim=True).clamp(min=1e-300)
    middle = torch.tensor([(n - 1) / 2 for n in shape], dtype=torch.float64)
    points = (index + along * share[:, None] - middle) * grid.voxel_mm
    area = 1 / downhill.abs().sum(1).clamp(min=1e-3)
    return SurfacePoints(points.numpy(), downhill.numpy(), area.numpy(), spacing_mm)


def _found(volume: Tensor, level: float, judged: Tensor) -> tuple[Tensor, Tensor]:
    """(n,) flat index of the lower end of every pair of neighbours across the level, and its axis; on the CPU."""
    nx, ny, nz = volume.shape
    thick, ends, axes = max(1, SLAB_VOXELS // (ny * nz)), [], []
    for first in range(0, nx, thick):
        above = volume[first : first + thick + 1] > level  # one plane more: its pairs along x start in this slab
        told = judged[first : first + thick + 1].to(volume.device) != IGNORED
        own = min(thick, nx - first)
        for axis in range(3):
            a, t = (above, told) if axis == 0 else (above[:own], told[:own])
            n = a.shape[axis] - 1
            pair = a.narrow(axis, 0, n) != a.narrow(axis, 1, n)
            pair &= t.narrow(axis, 0, n) & t.narrow(axis, 1, n)
            x, y, z = pair.nonzero(as_tuple=True)
            ends.append((((x + first) * ny + y) * nz + z).cpu())
            axes.append(torch.full((len(x),), axis, dtype=torch.int8))
    return torch.cat(ends), torch.cat(axes)


def _of_cut_voxels(low: Tensor, high: Tensor, level: float, share: Tensor) -> Tensor:
    """The place between two centres, 0..1: from the one cut voxel alone where the other is full or empty."""
    cut_low, cut_high = (low > 0) & (low < 1), (high > 0) & (high < 1)
    down = torch.where(low > high, 1.0, -1.0).double()
    share = torch.where(cut_low & ~cut_high, down * (low - level), share)
    share = torch.where(cut_high & ~cut_low, 1 + down * (high - level), share)
    return share.clamp(0, 1)


def _gradient(flat: Tensor, index: Tensor, steps: Tensor, shape: tuple[int, int, int]) -> Tensor:
    """(n, 3) float64: differences a voxel at voxel centres, central ones but at the grid's faces."""
    found = []
    for axis, n in enumerate(shape):
        up, down = (index[:, axis] + 1).clamp(max=n - 1), (index[:, axis] - 1).clamp(min=0)
        here = (index * steps).sum(1)
        ends = [flat[(here + (end - index[:, axis]) * steps[axis]).to(flat.device)].double() for end in (up, down)]
        found.append((ends[0] - ends[1]).cpu() / (up - down).clamp(min=1))
    return torch.stack(found, dim=1)
