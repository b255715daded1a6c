"""Sizes that no print of a part can have been off by."""

import numpy as np

from lightlathe.errors import JobError
from lightlathe.judge.across import middle_slices
from lightlathe.judge.evidence import Doses
from lightlathe.judge.gaps import has_gaps
from lightlathe.judge.vials import Vial
from lightlathe.quantities import SOLID, Part, slices_of
from lightlathe.support.words import amount, percent

NEAR = 0.1  # of a size: as near to a side of the part's box it is taken for that side (no source)
LOST = 0.1  # of the part: if thinner walls make up as much, they would be missed (no source)


def require_plausible(vial: Vial, part: Part, doses: Doses) -> None:
    """JobError for a measured size that cannot be: one that no length of the part has, a loss that would leave no wall,
    a gain of more than the part's own size, and what lies outside the voxels that are judged."""
    for one in vial.seen:
        said = f"'{vial.words}'"
        if one.wanted_mm is not None:
            _require_fits(said, one.wanted_mm, part)
            if not one.named:
                _require_named(said, one.wanted_mm, part)
        if one.by_mm is None or one.kind not in ("thin", "fat"):
            continue
        size, by = max(extents_mm(part)), amount(one.by_mm, 3)
        instead = "nothing" if one.kind == "thin" else "all solid"
        if one.by_mm >= size:
            raise JobError(
                f"{said}: the part is {amount(size, 3)} mm across where it is widest; expected a change of its size "
                f"by less. Is the unit right? Sizes are from side to side. Say '{instead}' if that is how it looks."
            )
        if one.kind == "thin" and (lost := share_thinner(part, one.by_mm)) > LOST:
            raise JobError(
                f"{said}: {percent(lost)} of the part is walls thinner than {by} mm, and nothing would be left of "
                "them; expected a change smaller than its walls are thick. Is the unit right? Sizes are from side to "
                "side. Say 'nothing', or 'top missing', if that is how it looks."
            )
        each = one.by_mm / 2
        if not doses.places[0] <= (-each if one.kind == "thin" else each) <= doses.places[-1]:
            raise JobError(
                f"{said}: a surface off by {amount(each, 3)} mm on each side lies outside what this part holds "
                f"({amount(doses.places[0], 3)} to {amount(doses.places[-1], 3)} mm). Say '{instead}' instead if that "
                "is how it looks."
            )


def _require_fits(said: str, wanted_mm: float, part: Part) -> None:
    longest = float(np.linalg.norm(extents_mm(part)))
    if wanted_mm > longest + 2 * part.grid.voxel_mm:
        raise JobError(
            f"{said}: a size of {amount(wanted_mm, 4)} mm was wanted, and this part is {amount(longest, 3)} mm from "
            "corner to corner; expected a size that it has. Is the unit right?"
        )


def _require_named(said: str, wanted_mm: float, part: Part) -> None:
    """A size that is none of the box of a part with gaps may be one of a hole, which closes where the solid grows."""
    near = max(NEAR * wanted_mm, 2 * part.grid.voxel_mm)
    if any(abs(side - wanted_mm) <= near for side in extents_mm(part)):
        return
    if has_gaps(part.judged if part.whole is None else part.whole):
        x, y, z = (amount(side, 3) for side in extents_mm(part))
        raise JobError(
            f"{said}: is that a hole or solid? The part's box is {x} x {y} x {z} mm. A hole grows where a print is too "
            "thin.\n  'hole 2.8 mm instead of 3 mm' and 'wall 0.9 mm instead of 1 mm' say which."
        )


def extents_mm(part: Part) -> tuple[float, float, float]:
    """The part's box along x, y and z."""
    judged = part.judged if part.whole is None else part.whole
    x = y = z = None
    for taken, (codes,) in slices_of(judged):
        solid = (codes == SOLID).cpu()
        here = [solid.any(2).any(1).numpy(), solid.any(2).any(0).numpy()]
        x, y = (here[0], here[1]) if x is None or y is None else (x | here[0], y | here[1])
        found = np.zeros(judged.shape[2], dtype=bool)
        found[taken] = solid.any(0).any(0).numpy()
        z = found if z is None else z | found
    lengths = []
    for used in (x, y, z):
        places = np.flatnonzero(used) if used is not None else np.zeros(0, dtype=int)
        lengths.append((int(places[-1] - places[0]) + 1) * part.grid.voxel_mm if len(places) else 0.0)
    return lengths[0], lengths[1], lengths[2]


def share_thinner(part: Part, thickness_mm: float) -> float:
    """Share of the part's voxels whose local thickness is less than `thickness_mm`, in the slices of `middle_slices`.

    Local thickness: the diameter of the largest disc in its slice that holds the voxel and lies in the part, so this is
    what a morphological opening by a disc of that diameter takes away. Within slices: along the axis a part ends with
    its rows of pixels, however wide it prints.
    Source: Hildebrand and Rueegsegger, J. Microscopy 185 (1997) 67, from memory.
    """
    from scipy.ndimage import distance_transform_edt

    judged = part.judged if part.whole is None else part.whole
    solid = (judged[..., middle_slices(judged)].cpu() == SOLID).numpy()
    if not solid.any():
        return 0.0
    radius = thickness_mm / 2 / part.grid.voxel_mm
    padded = np.pad(solid, ((1, 1), (1, 1), (0, 0)))
    apart = (1.0, 1.0, float(sum(solid.shape)))  # slices further from each other than anything within one
    # a voxel in the part's favour on either side: surfaces of voxels are stairs
    centres = np.asarray(distance_transform_edt(padded, apart)) + 0.5 >= radius
    if not centres.any():
        return 1.0
    kept = np.asarray(distance_transform_edt(~centres, apart)) <= radius + 1.0
    return float(1 - (kept & padded).sum() / padded.sum())
