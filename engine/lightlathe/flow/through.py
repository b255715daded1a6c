"""Inserts in light whose rows spread with depth: they must have one cross-section wherever its rays pass.

A ray of a lens rises or falls on its way, so before it lights a slice it may pass an insert at another height: nearer
to that of the lens, as rays draw apart from there on. An insert that is the same at all of these heights ends or dims
every ray of a column where it does the level one.
"""

import torch

from lightlathe.errors import JobError
from lightlathe.flow.solids import Solid
from lightlathe.quantities import Grid, Optics
from lightlathe.support.words import amount


def require_through(solids: tuple[Solid, ...], optics: Optics, grid: Grid) -> None:
    """JobError where an insert that changes light ends, or changes its cross-section, where rays of a lens pass it.

    Within the grid cross-sections are compared, beyond it what each insert spans along z.
    """
    spread, classes = optics.chords.magnification, optics.class_of_slice(grid)
    if spread is None or classes is None:
        return
    low, high = heights(optics, grid)
    spans = [solid.form.bounds_mm[:, 2].tolist() for solid in solids if solid.opaque or _dims(solid, optics)]
    ends = [z for span in spans if span[0] < high and span[1] > low for z in span if low < z < high]
    if not ends and bool((classes == classes[0]).all()):
        return
    where = f"it ends at z = {amount(ends[0], 3)} mm" if ends else "its cross-section changes along z"
    raise JobError(
        f"an insert stands in light whose rows spread with depth (a diverging beam), and {where}, between the heights "
        f"of {amount(low, 3)} and {amount(high, 3)} mm that rays pass on their way to the part: what it does to a ray "
        "then depends on the ray's slope, and is not computed. Expected an insert of one cross-section through all of "
        "these heights, such as a rod or a needle that stands through, or a telecentric beam, or opaque = false in its "
        "[[part]], which takes light to pass through it as through resin."
    )


def heights(optics: Optics, grid: Grid) -> tuple[float, float]:
    """Minimum and maximum z that rays pass in the vial before they light a slice of the grid."""
    spread, end = optics.chords.magnification, grid.shape[2] / 2 * grid.voxel_mm
    assert spread is not None
    enters = optics.chords.offset_mm.double().abs() < optics.vial_radius_mm
    if not bool(enters.any()):
        return -end, end
    first, last = (int(n) for n in torch.stack([enters.nonzero()[0, 0], enters.nonzero()[-1, 0]]))
    least, most = spread.part(first, last + 1).range_within(
        optics.chords.offset_mm[first : last + 1].double(), optics.vial_radius_mm
    )
    lens, rise = spread.pupil_z_mm, max(1 - least / most, 0.0)
    return min(-end, -end + (lens + end) * rise), max(end, end + (lens - end) * rise)


def _dims(solid: Solid, optics: Optics) -> bool:
    return solid.absorption_per_mm not in (None, optics.absorption_per_mm)
