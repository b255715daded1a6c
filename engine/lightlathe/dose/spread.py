"""Rows that spread with depth: where each voxel reads the planes of a view, whose slices are coupled."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose.footprint import onto_slices
from lightlathe.dose.taps import REL_TOLERANCE, Taps, interpolation
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Footprint, Grid


@dataclass(frozen=True)
class Spread:
    """Planes of a view on to slices, by the magnification M at each voxel; see Views.

    at_foot, per_mm   (bin,) float64, on the CPU: M = at_foot + per_mm t at the chord of each bin
    pupil_z_mm        height h of the lens's pupil
    planes, plane_mm  how many each view has and how far apart in the plane of the axis; their middle is at z = 0
    row_mm            between the rows of pixels: light is linear between them
    slices            of the grid, a voxel apart; their middle is at z = 0
    least             no M in the vial is less
    most              or more
    """

    at_foot: Tensor
    per_mm: Tensor
    pupil_z_mm: float
    planes: int
    plane_mm: float
    row_mm: float
    slices: int
    least: float
    most: float

    def far_mm(self, voxel_mm: float) -> float:
        """Largest distance of a slice from the height of the pupil."""
        return (self.slices - 1) / 2 * voxel_mm + abs(self.pupil_z_mm)


def spread_of(
    chords: Chords, footprint: Footprint, grid: Grid, radius_mm: float, in_planes: bool = False
) -> tuple[Spread, Taps] | None:
    """How rows of these chords spread over the slices, and the planes that views take: plane <- row.

    chords   of the bins; None where their rows stay level
    in_planes   their rows are the planes
    Planes lie on the rows and evenly between them, about a voxel apart, where rows are no closer than voxels; half a
    voxel apart where they are closer, or blurred: planes then hold what a slice there takes, and slices between planes
    are blurred by voxel^2 / 24 (variance) at most.
    ShapeError where rows would meet in the vial.
    """
    given = chords.magnification
    if given is None:
        return None
    if grid.below or grid.above:
        raise ShapeError("rows of light spread with depth over all slices; expected the whole grid, no slab of it.")
    least, most = given.range_within(chords.offset_mm.double().cpu(), radius_mm * (1 + 1e-9))
    if not least > 0:
        raise ShapeError(
            f"rows of light meet within the vial's {radius_mm:g} mm (magnification {least:.4g}); expected a lens "
            "beyond it."
        )
    rows, row_mm, voxel_mm = chords.rows, chords.row_mm, grid.voxel_mm
    finer, blurred = row_mm < voxel_mm * (1 - REL_TOLERANCE), not footprint.plain and footprint.across_rows
    between = max(1, round(row_mm / voxel_mm))
    plane_mm = voxel_mm / 2 if finer or blurred else row_mm / between
    planes = (rows + 1) * between - 1
    if finer or blurred:
        lit_mm = (rows - 1) / 2 * row_mm + max(footprint.reach * row_mm, voxel_mm)
        planes = 2 * math.ceil(lit_mm / plane_mm) + 1
    if in_planes:
        planes, plane_mm = rows, row_mm
    at = (torch.arange(planes, dtype=torch.float64) - (planes - 1) / 2) * plane_mm
    z = (torch.arange(rows, dtype=torch.float64) - (rows - 1) / 2) * row_mm
    if blurred:
        taps = onto_slices(footprint, at, z, voxel_mm, row_mm)
    else:
        taps = interpolation(at, z, voxel_mm if finer and not in_planes else plane_mm, row_mm)
    at_foot, per_mm = given.at_foot.double().cpu(), given.per_mm.double().cpu()
    between_mm, slices = max(row_mm, voxel_mm), grid.shape[2]
    return Spread(at_foot, per_mm, given.pupil_z_mm, planes, plane_mm, between_mm, slices, least, most), taps
