"""Covered fraction of each voxel, from the volume under a solid's facets.

Inside is where the winding number w of all facets together passes one half. For a closed mesh w is a whole number n
almost everywhere, and the covered fraction of a voxel is

    c = volume integral of n over the voxel                        (exact: facets cut at the voxel faces)
      + volume integral of ([w > 1/2] - n)                         (along 16 lines a voxel; 0 where n is 0 or 1)

The first term alone is exact for a simple closed surface: no sampling, a box of any size at any offset is right to the
last bits. The second takes back what overlapping components count twice and lets open meshes have an inside.
Facets are cut in float64 about the grid's middle; sums are whole numbers of 2^-40 voxels, so they come out the same in
whatever order they are added; the result is rounded to 2^-20. Lines run along z, through corner positions rounded to
whole numbers, and a facet owns its lower edges only: no line slips between two facets or meets both.
"""

import math
from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor

from lightlathe.errors import PartError, ShapeError
from lightlathe.families import Shape
from lightlathe.part.count import Count
from lightlathe.part.surface import Surface
from lightlathe.quantities import Grid
from lightlathe.support.own import OwnMember
from lightlathe.support.words import amount


def coverage(
    solid: Surface | Shape | Sequence[Surface | Shape], grid: Grid, device: torch.device | str = "cpu"
) -> Tensor:
    """(x, y, z) float32 in 0..1 on `device`: the fraction of each voxel that the solid fills.

    Several solids are a union: surfaces are counted as one mesh of several components, analytic shapes by the larger
    fraction.

    Repeats  the same bits on every run of one device.
    Memory   on CUDA about 20 bytes a voxel; on the CPU the result and one x-layer of it for each thread.
    Device   'cpu' or CUDA; others have no float64 and raise ShapeError. Open meshes (with caps) are always counted
             on the CPU.
    """
    device = torch.device(device)
    if device.type not in ("cpu", "cuda"):
        raise ShapeError(
            f"coverage is counted in float64, which device '{device}' does not have; expected 'cpu' or 'cuda'. "
            "Count on the CPU and move the result."
        )
    solids = list(solid) if isinstance(solid, Sequence) else [solid]
    if not solids:
        raise PartError("there is no solid to count; expected one or more.")
    surfaces = [s for s in solids if isinstance(s, Surface)]
    counted = [_of_shape(s, grid, device) for s in solids if not isinstance(s, Surface)]
    if surfaces:
        counted.append(_counted(prepare(surfaces, grid), device))
    return counted[0] if len(counted) == 1 else torch.stack(counted).amax(0)


def _of_shape(shape: Shape, grid: Grid, device: torch.device) -> Tensor:
    """Of a shape of the user's own, a slab is cut out of the whole: it may know of whole grids alone."""
    if not (isinstance(shape, OwnMember) and (grid.below or grid.above)):
        return shape.coverage(grid, device)
    return shape.coverage(grid.whole, device)[:, :, grid.below : grid.below + grid.shape[2]].contiguous()


def _counted(count: Count, device: torch.device) -> Tensor:
    if device.type == "cpu" or len(count.caps):
        from lightlathe.part.count_cpu import count_voxels

        return torch.from_numpy(count_voxels(count)).to(device)
    from lightlathe.part.count_torch import count_voxels_torch

    return count_voxels_torch(count, device)


def prepare(surfaces: Sequence[Surface], grid: Grid) -> Count:
    """Facets and caps of all surfaces in voxels of a grid."""
    from lightlathe.part.openings import caps, spans

    firsts = np.cumsum([0, *(len(s.vertices_mm) for s in surfaces)])
    vertices = np.concatenate([s.vertices_mm for s in surfaces])
    faces = np.concatenate([s.faces + first for s, first in zip(surfaces, firsts[:-1], strict=True)])
    points, closing = caps(vertices, faces)
    points = points / grid.voxel_mm + np.array(grid.whole.shape) / 2
    faces = np.concatenate([faces, closing])
    widest = max(float(np.abs(points).max()), *grid.whole.shape)
    shift = 29 - math.ceil(math.log2(widest + 1))  # products of two differences stay below 2^61
    if shift < 6:
        raise PartError(
            f"the part reaches {amount(widest * grid.voxel_mm, 4)} mm from the grid's corner, which is "
            f"{amount(widest, 3)} voxels of {grid.voxel_mm:g} mm; expected at most {2**23} voxels. Is the unit or the "
            "place wrong?"
        )
    whole = np.rint(points[:, :2] * (1 << shift)).astype(np.int64)
    points[:, 2] -= grid.below  # exact: a slab counts as it does in the whole
    return Count(grid.shape, points[faces], whole[faces], shift, points[closing], spans(points[closing]))
