"""One slice of a vial under parallel light, for comparison with closed forms. Lengths mm."""

from collections.abc import Callable

from torch import Tensor

from lightlathe.dose import DoseOperator
from operators import operator


def slice_of(
    radius: float,
    voxel: float,
    *,
    angles: int = 720,
    absorption: float = 0.0,
    odd: bool = False,
    first_rad: float = 0.0,
) -> DoseOperator:
    """One slice that just holds the vial; pixel = voxel, and a dose is the mean over a turn of unit incident light.

    Light reaches beyond the wall, so that the rim sees no end. odd: a voxel on the axis, and one on the wall.
    """
    n = 2 * round(radius / voxel) + (1 if odd else 0)
    return operator(
        (n, n, 1), voxel, angles=angles, columns=n + 2, rows=1, pixel=voxel, radius=radius, absorption=absorption,
        first_rad=first_rad,
    )  # fmt: skip


def shine(a: DoseOperator, g: Callable[[Tensor], Tensor]) -> Tensor:
    """Dose (x, y) of the same g(s) at every angle."""
    light = g(a.optics.chords.offset_mm)[None, :, None].expand(a.pattern_shape)
    return a(light.contiguous())[:, :, 0]


def ring_means(
    a: DoseOperator, dose: Tensor, formula: Callable[[Tensor], Tensor], inner: float, outer: float
) -> tuple[float, float]:
    """Mean dose of the voxels in a ring, and the mean of formula(r) over the same voxels."""
    r = a.grid.radius_mm()
    ring = (r >= inner) & (r < outer)
    return float(dose[ring].mean()), float(formula(r[ring]).mean())
