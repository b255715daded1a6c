"""The target of each voxel: solid, liquid, or ignored."""

import math
from collections.abc import Sequence

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import PartError
from lightlathe.quantities import HALF, IGNORED, LIQUID, SOLID, Grid, Volume, slices_of


def judge(
    coverage: Tensor,
    grid: Grid,
    vial_radius_mm: float,
    inserts: Sequence[Tensor] = (),
    keep_liquid: Sequence[Tensor] = (),
    tolerance_mm: float = 0.0,
) -> Tensor:
    """(x, y, z) uint8 of IGNORED, LIQUID or SOLID, on the device of `coverage`.

    coverage, inserts, keep_liquid   (x, y, z) covered fraction 0..1 of the part, of each insert, of each region that
                                     must stay liquid; a voxel at least half covered belongs (HALF)
    tolerance_mm    voxels whose centre is nearer than this to the part's surface are not judged (0: all are)
    Later rules win: part solid, the rest liquid; the tolerance band is ignored; regions to keep liquid are liquid;
    inserts and everything outside the vial are ignored. `conflicts` says where these rules took voxels from the part.
    Raises PartError where no voxel is left that must turn solid, unless the grid is a slab of a taller one.
    """
    volumes = (coverage, *inserts, *keep_liquid)
    for volume in volumes:
        has_axes("coverage", volume, ("x", "y", "z"), grid.shape)
    if not (math.isfinite(tolerance_mm) and tolerance_mm >= 0):
        raise PartError(f"tolerance_mm is {tolerance_mm}; expected a length of 0 or more.")
    part = coverage >= HALF
    judged = torch.full(grid.shape, LIQUID, dtype=torch.uint8, device=part.device)
    judged[part] = SOLID
    if tolerance_mm > 0:
        judged[near_surface(part, grid, tolerance_mm)] = IGNORED
    for region in keep_liquid:
        judged[region >= HALF] = LIQUID
    for insert in inserts:
        judged[insert >= HALF] = IGNORED
    judged[~grid.inside(vial_radius_mm).to(judged.device)] = IGNORED
    if not (grid.below or grid.above):
        require_some(judged, coverage, grid)
    return judged


def require_some(judged: Volume, coverage: Volume, grid: Grid) -> None:
    """PartError where no voxel must turn solid."""
    if not any(bool((codes == SOLID).any()) for _, (codes,) in slices_of(judged)):
        covered = [(int((c > 0).sum()), int((c >= HALF).sum())) for _, (c,) in slices_of(coverage)]
        touched, belong = (sum(counts) for counts in zip(*covered, strict=True))
        raise PartError(
            f"no voxel must turn solid: {touched} of {grid.voxels} voxels of {grid.voxel_mm:g} mm touch the part and "
            + (
                f"{belong} are at least half covered, but all of those are outside the vial, in an insert, in a region "
                "to keep liquid or within the tolerance. Is the part in the vial and thicker than a voxel?"
                if belong
                else "none is at least half covered. Is the part thicker than a voxel, and its unit right?"
            )
        )


def conflicts(coverage: Volume, keep_liquid: Sequence[Volume]) -> list[str]:
    """One sentence for each region to keep liquid that takes voxels from the part; arguments as in `judge`."""
    if not keep_liquid:
        return []
    total, lost = 0, [0] * len(keep_liquid)
    for _, (covered, *regions) in slices_of(coverage, *keep_liquid):
        part = covered >= HALF
        total += int(part.sum())
        lost = [n + int(((region >= HALF) & part).sum()) for n, region in zip(lost, regions, strict=True)]
    return [
        f"{n} of {total} voxels of the part lie in a region to keep liquid and will stay liquid. "
        "Is the region in its place, and its unit right?"
        for n in lost
        if n
    ]


def near_surface(solid: Tensor, grid: Grid, within_mm: float) -> Tensor:
    """(x, y, z) bool: voxels whose centre is nearer than within_mm to the nearest face between solid and not solid.

    Straight faces lie half a voxel from the centres of the voxels that touch them. Nothing is near where there is no
    face. A squared distance transform, axis by axis, that looks no further than it must: Felzenszwalb & Huttenlocher,
    Theory of Computing 8 (2012) 415, section 2.1, cut off.
    """
    reach = min(within_mm / grid.voxel_mm, math.hypot(*grid.shape)) + 0.5  # to the nearest centre on the other side
    limit = math.ceil(reach**2 * (1 - 1e-12)) - 1  # squared distances are whole numbers
    near = torch.zeros_like(solid)
    for side in (solid, ~solid):
        squared = side.to(torch.int32 if limit > 10_000 else torch.int16) * (limit + 1)
        for axis in range(3):
            squared = _spread(squared, axis, math.isqrt(limit))
        near |= side & (squared <= limit)
    return near


def _spread(squared: Tensor, axis: int, steps: int) -> Tensor:
    """The minimum of squared[i + k] + k^2 over |k| <= steps along an axis."""
    lowest, size = squared.clone(), squared.shape[axis]
    for k in range(1, min(steps, size - 1) + 1):
        for to, source in ((k, 0), (0, k)):
            here = lowest.narrow(axis, to, size - k)
            torch.minimum(here, squared.narrow(axis, source, size - k) + k * k, out=here)
    return lowest
