"""From how many directions light reaches the part beside inserts, before any design."""

import math
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor

from lightlathe.dose import Backend, DoseOperator
from lightlathe.flow.operators import absorbers_of, shadows_of
from lightlathe.flow.solids import Solid
from lightlathe.quantities import (
    HALF,
    SOLID,
    Absorber,
    Chords,
    Grid,
    Optics,
    Part,
    Shadows,
    joint_classes,
    slices_of,
    unpacked_from,
)
from lightlathe.support.words import amount, percent

ANGLES = 360  # directions that are looked in
PITCH = 0.45  # of a voxel, columns of even light: no simple fraction, so that they fall anywhere on an insert's edge
SHADOWED = 0.1  # of even light: a voxel that loses so much of it counts as in shadow (no source)
NEAR = 2  # voxels from an insert, centre to centre: what counts as beside it
SECTIONS = 64  # cross-sections that are looked at, at most; more are sampled evenly


@dataclass(frozen=True)
class Beside:
    """The part beside its inserts, in even light from all around.

    opaque, dims, through   there are inserts that light does not enter; whose absorption is given; that light is taken
                      to pass as resin
    shaded            one of the first two stands in slices of the part, and absorbs otherwise than the resin
    least, mean       share of all directions from which light reaches the part within `near_mm` of such an insert, each
                      as bright as it is against resin alone, 1 at most; NaN where none of the part is as near
    dark              share of the part's voxels, of those looked at, that light reaches from no direction
    dark_mm           (x, y, z) of one of them
    inside            share of the part's voxels that lie in an insert, where nothing is printed
    meshes            some of the part is a mesh
    shadowed          share of the other voxels of the part that SHADOWED of even light or more does not reach
    """

    opaque: bool
    through: bool
    shaded: bool = False
    near_mm: float = math.nan
    least: float = math.nan
    mean: float = math.nan
    dark: float = 0.0
    dark_mm: tuple[float, float, float] | None = None
    dims: bool = False
    inside: float = 0.0
    shadowed: float = 0.0
    meshes: bool = False

    def text(self) -> str:
        """Sentences on what inserts do to the light of the part."""
        said = []
        if self.through:
            said.append("Light is taken to pass through an insert as through resin (opaque = false).")
        if self.inside > 0:
            said.append(inside_words(self.inside))
        said.append(self._shade())
        if self.shadowed > 0:
            said.append(
                f"{percent(self.shadowed)} of the rest of the part lies in shadow: {percent(SHADOWED)} or more of even "
                "light does not reach it."
            )
        if self.dark > 0 and self.dark_mm is not None:
            x, y, z = (amount(mm) for mm in self.dark_mm)
            said.append(
                f"Light reaches {percent(self.dark)} of the part from no direction, as at x = {x}, y = {y}, z = {z} "
                "mm: that stays liquid, whatever the light."
            )
        return " ".join(text for text in said if text)

    def _shade(self) -> str:
        """What opaque and absorbing inserts take of the light."""
        if not (self.opaque or self.dims):
            return ""
        which = "An opaque insert" if not self.dims else "An insert"
        if not self.shaded:
            aside = ["stands in no slice of the part"] if self.inside == 0 else []
            why = " or ".join([*aside, "absorbs as the resin does"] if self.dims else aside)
            return f"{which} {why}, so no shadow falls on the part."
        if math.isnan(self.least):
            return f"{which} casts its shadow on the part, from more than {amount(self.near_mm)} mm away."
        near, mean, least = amount(self.near_mm), percent(self.mean), percent(self.least)
        if self.dims:
            return (
                f"Within {near} mm of an insert even light from all around leaves {mean} in the mean, {least} at "
                "least, of what it would with resin in the insert's place."
            )
        return (
            f"Within {near} mm of an opaque insert the part sees light from {mean} of all directions in the mean, "
            f"{least} at least: a convex one leaves half at its surface."
        )


def beside_inserts(
    solids: tuple[Solid, ...], part: Part, radius_mm: float, absorption_per_mm: float = 0.0
) -> Beside | None:
    """What inserts leave of even light, by the voxels of `part`; None without inserts.

    absorption_per_mm   of the resin: what an insert absorbs beyond it counts, so that each direction counts alike
    Light is parallel, from all directions.
    """
    inserts = [solid for solid in solids if solid.role == "insert"]
    if not inserts:
        return None
    dims = any(solid.absorption_per_mm is not None for solid in inserts)
    through = any(not solid.opaque and solid.absorption_per_mm is None for solid in inserts)
    meshes = any(solid.unit is not None for solid in solids if solid.role == "part")
    opaque = any(solid.opaque for solid in inserts)
    found = Beside(opaque, through, dims=dims, inside=share_inside(part), meshes=meshes)
    shadows, absorbers = shadows_of(part, radius_mm), absorbers_of(part, radius_mm)
    absorbers = tuple(each for each in absorbers if each.absorption_per_mm != absorption_per_mm)
    around = [*([] if shadows is None else [shadows]), *(each.sections for each in absorbers)]
    if not around:
        return found
    solid, near_mm = (unpacked_from(part.judged) == SOLID).cpu(), NEAR * part.grid.voxel_mm
    classes = joint_classes(around, part.grid)[0]
    sections = classes[solid.any(0).any(0) & (classes >= 0)].unique()
    if not len(sections):
        return found
    beyond = [max(each.absorption_per_mm - absorption_per_mm, 0.0) for each in absorbers]
    absorbers = tuple(replace(each, absorption_per_mm=mu) for each, mu in zip(absorbers, beyond, strict=True))
    sections = sections[torch.linspace(0, len(sections) - 1, min(SECTIONS, len(sections))).round().long()]
    slices = torch.stack([(classes == k).nonzero()[0, 0] for k in sections])
    seen = lit_share(shadows, part.grid, radius_mm, slices, absorbers)
    volumes = [*([] if part.opaque is None else [part.opaque]), *(each.covered for each in part.absorbing)]
    beside, dark, shadowed, looked_at, dark_mm = [], 0, 0, 0, None
    for n, k in enumerate(sections.tolist()):
        alike = (classes == k).nonzero().flatten()
        stands = torch.stack([volume[:, :, int(alike[0])].cpu() >= HALF for volume in volumes]).any(0)
        near = _within(stands, NEAR)
        here = solid[:, :, alike]
        beside.append(seen[:, :, n][near].repeat_interleave(here.sum(2)[near]))
        without = here & (seen[:, :, n] <= 0)[:, :, None]
        dark, looked_at = dark + int(without.sum()), looked_at + int(here.sum())
        shadowed += int((here & (seen[:, :, n] <= 1 - SHADOWED)[:, :, None]).sum())
        if dark_mm is None and bool(without.any()):
            x, y, z = without.nonzero()[0].tolist()
            at = [float(part.grid.centres_mm(axis)[n]) for axis, n in enumerate((x, y, int(alike[z])))]
            dark_mm = (at[0], at[1], at[2])
    shares = torch.cat(beside)
    beside_one = int(solid[:, :, classes >= 0].sum()) / int(solid.sum())  # of the part, in slices with an insert
    found = replace(
        found, shaded=True, near_mm=near_mm, dark=dark / looked_at, dark_mm=dark_mm,
        shadowed=beside_one * shadowed / looked_at,
    )  # fmt: skip
    return found if not len(shares) else replace(found, least=float(shares.min()), mean=float(shares.double().mean()))


def share_inside(part: Part) -> float:
    """The share of a part's voxels that lie in an insert; 0 where there is none."""
    if part.insert is None:
        return 0.0
    total = inside = 0
    for _, (covered, insert) in slices_of(part.coverage, part.insert):
        belongs = covered >= HALF
        total, inside = total + int(belongs.sum()), inside + int((belongs & (insert >= HALF)).sum())
    return inside / total if total else 0.0


def inside_words(share: float) -> str:
    return f"{percent(share)} of the part lies inside an insert, where nothing is printed."


def lit_share(
    shadows: Shadows | None, grid: Grid, radius_mm: float, slices: Tensor, absorbers: tuple[Absorber, ...] = ()
) -> Tensor:
    """(x, y, slice) float32: the share of all directions from which light reaches each voxel of some slices, each as
    much as absorbers leave of it.
    """
    nx, ny, nz = grid.shape
    pitch = grid.voxel_mm * PITCH
    columns = 2 * math.ceil(math.hypot(nx, ny) / 2 / PITCH) + 3
    offset = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * pitch
    angle = torch.arange(ANGLES, dtype=torch.float64) * (2 * math.pi / ANGLES)
    chords = Chords(angle, offset, torch.zeros_like(offset), torch.ones_like(offset), nz, grid.voxel_mm)
    optics = Optics(chords, radius_mm, 0.0, shadows=shadows, absorbers=absorbers).for_slices(slices, grid)
    operator = DoseOperator(optics, Grid((nx, ny, len(slices)), grid.voxel_mm), Backend())
    return operator(torch.ones(operator.pattern_shape))


def _within(mask: Tensor, voxels: int) -> Tensor:
    """(x, y) bool: what lies within so many voxels of a mask, from centre to centre."""
    from scipy.ndimage import distance_transform_edt

    return torch.from_numpy(np.asarray(distance_transform_edt(~mask.numpy())) <= voxels)
