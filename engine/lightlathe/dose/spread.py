"""Rows that spread with depth: where each voxel reads the planes of a view, whose slices are coupled."""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose.taps import REL_TOLERANCE, Taps, interpolation
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Grid


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


def spread_of(chords: Chords, grid: Grid, radius_mm: float) -> tuple[Spread | None, Taps | None]:
    """How rows of these chords spread over the slices, and the planes that views take: plane <- row, None for rows.

    chords   of the bins; None and None where rows stay level
    Rows coarser than voxels: planes lie on the rows and evenly between them, about a voxel apart, linear between rows. Finer ones: planes half a voxel apart take the
    mean of the rows under a triangle that reaches a voxel to either side. ShapeError where rows would meet in the vial.
    """
    given = chords.magnification
    if given is None:
        return None, None
    least, most = given.range_within(chords.offset_mm.double().cpu(), radius_mm * (1 + 1e-9))
    if not least > 0:
        raise ShapeError(
            f"rows of light meet within the vial's {radius_mm:g} mm (magnification {least:.4g}); expected a lens beyond it."
        )
    rows, row_mm, voxel_mm = chords.rows, chords.row_mm, grid.voxel_mm
    z = (torch.arange(rows, dtype=torch.float64) - (rows - 1) / 2) * row_mm
    if row_mm > voxel_mm * (1 - REL_TOLERANCE):
        between = max(1, round(row_mm / voxel_mm))
        planes, plane_mm, reach_mm = (
            (rows + 1) * between - 1 if between > 1 else rows,
            row_mm / between,
            row_mm / between,
        )
    else:
        plane_mm, reach_mm = voxel_mm / 2, voxel_mm
        planes = 2 * math.ceil(((rows - 1) / 2 * row_mm + voxel_mm) / plane_mm) + 1
    at = (torch.arange(planes, dtype=torch.float64) - (planes - 1) / 2) * plane_mm
    taps = interpolation(at, z, reach_mm, row_mm)
    spread = Spread(
        given.at_foot.double().cpu(), given.per_mm.double().cpu(), given.pupil_z_mm, planes, plane_mm,
        max(row_mm, voxel_mm), grid.shape[2], least, most,
    )  # fmt: skip
    return spread, None if taps.is_identity else taps
