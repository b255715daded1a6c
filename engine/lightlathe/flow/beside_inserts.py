"""From how many directions light reaches the part beside opaque inserts, before any design."""

import math
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor

from lightlathe.dose import Backend, DoseOperator
from lightlathe.flow.operators import shadows_of
from lightlathe.flow.solids import Solid
from lightlathe.quantities import HALF, SOLID, Chords, Grid, Optics, Part, Shadows, unpacked_from
from lightlathe.support.words import amount, percent

ANGLES = 360  # directions that are looked in
PITCH = 0.45  # of a voxel, columns of even light: no simple fraction, so that they fall anywhere on an insert's edge
NEAR = 2  # voxels from an insert, centre to centre: what counts as beside it
SECTIONS = 64  # cross-sections that are looked at, at most; more are sampled evenly


@dataclass(frozen=True)
class Beside:
    """The part beside its inserts, in even light from all around.

    opaque, through   there are inserts that light does not enter; that it is taken to pass through
    shaded            an opaque insert stands in slices of the part
    least, mean       share of all directions from which light reaches the part within `near_mm` of an opaque insert;
                      NaN where none of the part is as near
    dark              share of the part's voxels, of those looked at, that light reaches from no direction
    dark_mm           (x, y, z) of one of them
    """

    opaque: bool
    through: bool
    shaded: bool = False
    near_mm: float = math.nan
    least: float = math.nan
    mean: float = math.nan
    dark: float = 0.0
    dark_mm: tuple[float, float, float] | None = None

    def text(self) -> str:
        """Sentences on what inserts do to the light of the part."""
        said = []
        if self.through:
            said.append("Light is taken to pass through an insert as through resin (opaque = false).")
        if self.opaque and not self.shaded:
            said.append("An opaque insert stands in no slice of the part, so no shadow falls on it.")
        elif self.shaded and math.isnan(self.least):
            said.append(
                f"An opaque insert casts its shadow on the part, from more than {amount(self.near_mm)} mm away."
            )
        elif self.shaded:
            seen = f"{percent(self.mean)} of all directions in the mean, {percent(self.least)} at least"
            said.append(
                f"Within {amount(self.near_mm)} mm of an opaque insert the part sees light from {seen}: a convex one "
                "leaves half at its surface."
            )
        if self.dark > 0 and self.dark_mm is not None:
            x, y, z = (amount(mm) for mm in self.dark_mm)
            said.append(
                f"Light reaches {percent(self.dark)} of the part from no direction, as at x = {x}, y = {y}, z = {z} "
                "mm: that stays liquid, whatever the light."
            )
        return " ".join(said)


def beside_inserts(solids: tuple[Solid, ...], part: Part, radius_mm: float) -> Beside | None:
    """What inserts leave of even light, by the voxels of `part`; None without inserts.

    Without absorption, so that each direction counts alike, and with parallel light of all directions.
    """
    inserts = [solid for solid in solids if solid.role == "insert"]
    if not inserts:
        return None
    opaque = any(solid.opaque for solid in inserts)
    found = Beside(opaque, not all(solid.opaque for solid in inserts))
    shadows = shadows_of(part, radius_mm)
    if shadows is None:
        return found
    solid, near_mm = (unpacked_from(part.judged) == SOLID).cpu(), NEAR * part.grid.voxel_mm
    sections = shadows.class_of_slice[solid.any(0).any(0) & (shadows.class_of_slice >= 0)].unique()
    if not len(sections):
        return found
    sections = sections[torch.linspace(0, len(sections) - 1, min(SECTIONS, len(sections))).round().long()]
    slices = torch.stack([(shadows.class_of_slice == k).nonzero()[0, 0] for k in sections])
    seen = lit_share(shadows, part.grid, radius_mm, slices)
    beside, dark, looked_at, dark_mm = [], 0, 0, None
    for n, k in enumerate(sections.tolist()):
        alike = (shadows.class_of_slice == k).nonzero().flatten()
        assert part.opaque is not None
        near = _within(part.opaque[:, :, alike[0]].cpu() >= HALF, NEAR)
        here = solid[:, :, alike]
        beside.append(seen[:, :, n][near].repeat_interleave(here.sum(2)[near]))
        without = here & (seen[:, :, n] <= 0)[:, :, None]
        dark, looked_at = dark + int(without.sum()), looked_at + int(here.sum())
        if dark_mm is None and bool(without.any()):
            x, y, z = without.nonzero()[0].tolist()
            at = [float(part.grid.centres_mm(axis)[n]) for axis, n in enumerate((x, y, int(alike[z])))]
            dark_mm = (at[0], at[1], at[2])
    shares = torch.cat(beside)
    if not len(shares):
        return replace(found, shaded=True, near_mm=near_mm, dark=dark / looked_at, dark_mm=dark_mm)
    least, mean = float(shares.min()), float(shares.double().mean())
    return Beside(opaque, found.through, True, near_mm, least, mean, dark / looked_at, dark_mm)


def lit_share(shadows: Shadows, grid: Grid, radius_mm: float, slices: Tensor) -> Tensor:
    """(x, y, slice) float32: the share of all directions from which light reaches each voxel of some slices."""
    nx, ny, nz = grid.shape
    pitch = grid.voxel_mm * PITCH
    columns = 2 * math.ceil(math.hypot(nx, ny) / 2 / PITCH) + 3
    offset = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * pitch
    angle = torch.arange(ANGLES, dtype=torch.float64) * (2 * math.pi / ANGLES)
    chords = Chords(angle, offset, torch.zeros_like(offset), torch.ones_like(offset), nz, grid.voxel_mm)
    optics = Optics(chords, radius_mm, 0.0, shadows=shadows).for_slices(slices, grid)
    operator = DoseOperator(optics, Grid((nx, ny, len(slices)), grid.voxel_mm), Backend())
    return operator(torch.ones(operator.pattern_shape))


def _within(mask: Tensor, voxels: int) -> Tensor:
    """(x, y) bool: what lies within so many voxels of a mask, from centre to centre."""
    from scipy.ndimage import distance_transform_edt

    return torch.from_numpy(np.asarray(distance_transform_edt(~mask.numpy())) <= voxels)
