"""The grid around the placed solids, and whether they fit the vial, the resin and the projector's field."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import PartError
from lightlathe.part.surface import Surface
from lightlathe.part.units import MIXED_UP, MM_PER_UNIT, PRINTABLE_MM, printable_units, size_text, unit_question
from lightlathe.quantities import Grid
from lightlathe.support.words import amount, any_of, rounded_down, rounded_up

SIMPLY_LARGE = 0.5  # a part that this scale makes fit is too large; a wrong unit is 2.54 times off or more
TOUCHES = 1 + 1e-6  # touching is fitting: an STL holds float32, good to 6e-8
SMALL = 0.2  # of the vial's radius: a part below this looks like a wrong unit; common practice, no source


class Bounded(Protocol):
    """Anything with a place in the vial: a Surface or an analytic shape."""

    @property
    def bounds_mm(self) -> NDArray[np.float64]: ...

    @property
    def reach_mm(self) -> float: ...


def grid_for(placed: Sequence[Bounded], vial_radius_mm: float, voxel_mm: float, margin_voxels: int = 2) -> Grid:
    """The whole vial across, and in height all that is placed plus `margin_voxels` at either end.

    The grid's middle is the origin, so a part shifted along z makes it taller on both sides.
    """
    if not (math.isfinite(voxel_mm) and voxel_mm > 0):
        raise PartError(f"voxel_mm is {voxel_mm}; expected a length above 0 mm.")
    if not placed:
        raise PartError("there is no part to make a grid for; expected one or more.")
    tolerance = 1e-9  # n voxels written as a decimal may round to slightly more than n
    across = math.ceil(2 * vial_radius_mm / voxel_mm - tolerance)
    half = max(float(np.abs(p.bounds_mm[:, 2]).max()) for p in placed)
    high = math.ceil(2 * half / voxel_mm - tolerance) + 2 * margin_voxels
    return Grid((across, across, high), voxel_mm)


@dataclass(frozen=True)
class Scaling:
    """How a mesh would shrink in its place, if its job says a smaller `scale`.

    now        the scale that it has
    about_mm   the point that stays where it is
    spare_mm   kept free at the wall, for resin, and at either end, which may be moved onto other rows of pixels
    """

    now: float
    about_mm: tuple[float, float, float]
    spare_mm: float = 0.0

    def fitting(self, solid: Surface, radius_mm: float, height_mm: float) -> float:
        """The largest share of its size, to 1e-4, with which it goes into a cylinder; 0 if none does."""
        about = np.asarray(self.about_mm)
        corners, half = solid.vertices_mm - about, height_mm / 2 - self.spare_mm

        def fits(share: float) -> bool:
            x, y, z = (about + share * corners).T
            return float(np.hypot(x, y).max()) <= radius_mm * TOUCHES and float(np.abs(z).max()) <= half * TOUCHES

        low, high = 0.0, 1.0
        while high - low > 1e-4:
            middle = (low + high) / 2
            low, high = (middle, high) if fits(middle) else (low, middle)
        up = float(rounded_up(low * self.now)) / self.now  # the scale that was meant, where bisection ends just below
        return up if up <= 1 and fits(up) else low


@dataclass(frozen=True)
class FitReport:
    """How a part lies in the vial and in the projector's field, mm. A clearance below 0 is an overlap.

    wall_clearance_mm     to the vial's inner wall
    field_clearance_mm    to the projector's edge across; at every angle the field must reach the part
    problems              one sentence for each thing that does not fit; empty where all fits
    helps                 what can make it fit, the easiest first; empty where all fits
    unit_question         whether the mesh is in another unit, where that is likely; empty elsewhere
    notes                 what fits, but is probably a mistake (a unit that makes the part tiny)
    """

    size_mm: tuple[float, float, float]
    wall_clearance_mm: float
    field_clearance_mm: float
    problems: tuple[str, ...]
    notes: tuple[str, ...] = ()
    helps: tuple[str, ...] = ()
    unit_question: str = ""

    @property
    def fits(self) -> bool:
        return not self.problems


def fit(
    placed: Bounded,
    vial_radius_mm: float,
    resin_height_mm: float,
    field_width_mm: float,
    field_height_mm: float,
    read_as: str | None = None,
    insert: bool = False,
    scaling: Scaling | None = None,
) -> FitReport:
    """Measure clearances of one placed part; raises nothing.

    read_as    the unit that the part was read in, for the message; a Surface knows its own
    scaling    how its job can make it smaller; None where not by a scale of its own
    insert     it only has to go into the vial: it may stick out of the resin, and needs no light
    """
    if read_as is None and isinstance(placed, Surface):
        read_as = placed.report.unit
    low, high = placed.bounds_mm
    x, y, z = (float(s) for s in high - low)
    size, reach = (x, y, z), placed.reach_mm
    bottom, top = float(low[2]), float(high[2])
    wall, field = vial_radius_mm - reach, field_width_mm / 2 - reach
    across = f"its farthest point is {amount(reach, 4)} mm from the axis"
    up, down = f"its top is at z = {amount(top, 4)} mm", f"its bottom is at z = {amount(bottom, 4)} mm"
    resin = f"of the resin, {amount(resin_height_mm, 4)} mm high"
    light = f"of the projector's field, {amount(field_height_mm, 4)} mm high"
    taller = "a taller field of light"
    limits = [  # the clearance, what is reached where it is below 0, and what would be larger
        (wall, f"the vial's inner radius of {amount(vial_radius_mm, 4)} mm: {across}", "a wider vial"),
        (resin_height_mm / 2 - top, f"the top {resin}: {up}", "more resin"),
        (resin_height_mm / 2 + bottom, f"the bottom {resin}: {down}", "more resin"),
        (field, f"the projector's field, {amount(field_width_mm, 4)} mm wide: {across}", "a wider field of light"),
        (field_height_mm / 2 - top, f"the top {light}: {up}", taller),
        (field_height_mm / 2 + bottom, f"the bottom {light}: {down}", taller),
    ]
    slack = 1e-6 * max(vial_radius_mm, resin_height_mm)  # touching is fitting: an STL holds float32, good to 6e-8
    beyond = [limit for limit in (limits[:1] if insert else limits) if limit[0] < -slack]
    what = "insert" if insert else "part"
    problems = [f"The {what} reaches {amount(-clearance, 4)} mm beyond {words}." for clearance, words, _ in beyond]
    radius, height = min(vial_radius_mm, field_width_mm / 2), min(resin_height_mm, field_height_mm)
    share = 0.0
    if beyond and scaling is not None and isinstance(placed, Surface) and not insert:
        share = scaling.fitting(placed, min(radius, vial_radius_mm - scaling.spare_mm), height)
    helps = _helps(placed, min(wall, field) < -slack, radius, height, slack) if beyond else []
    if share > 0 and scaling is not None:
        helps[-1] += f" (scale = {rounded_down(share * scaling.now)} in [part] would fit)"
    notes, question = [], ""
    if insert:
        radius, height, resin_height_mm = vial_radius_mm, math.inf, math.inf
    if problems and math.hypot(x, y) / 2 <= radius and z <= height:
        problems.append("Centred on the axis it would fit.")
    elif read_as is not None and share < SIMPLY_LARGE and (problems or max(size) < SMALL * vial_radius_mm):
        fitting = [
            unit
            for unit in MIXED_UP[read_as]
            if _fits(size, reach, MM_PER_UNIT[unit] / MM_PER_UNIT[read_as], vial_radius_mm, resin_height_mm)
        ]
        plausible = [] if PRINTABLE_MM[0] <= max(size) <= PRINTABLE_MM[1] else printable_units(size, read_as)
        question = unit_question(size, read_as, fitting or plausible)
        if fitting:
            hint = f"In {' or '.join(fitting)} it would fit and fill the vial better: is the unit right?"
            (problems or notes).append(f"It was read in {read_as} and is {size_text(size)}. {hint}")
    return FitReport(
        size_mm=size,
        wall_clearance_mm=wall,
        field_clearance_mm=field,
        problems=tuple(problems),
        notes=tuple(notes),
        unit_question=question,
        helps=tuple(dict.fromkeys([*helps, *(larger for _, _, larger in beyond)])),
    )


def _helps(placed: Bounded, too_wide: bool, radius_mm: float, height_mm: float, slack_mm: float) -> list[str]:
    """Other places and sizes that can make it fit the cylinder of light and resin.

    too_wide   whether it is now, where it lies
    """
    low, high = placed.bounds_mm
    x, y, z = (float(s) for s in high - low)
    off = float(np.abs(low + high).max()) / 2
    helps = ["another place"] if off > slack_mm and max(x, y) / 2 <= radius_mm and z <= height_mm else []
    if isinstance(placed, Surface):  # analytic shapes stand upright
        smallest, middle, longest = sorted((x, y, z))
        if too_wide and z < longest <= height_mm and middle / 2 <= radius_mm:
            helps.append("the part laid along the axis")
        if z == longest > height_mm and z / 2 <= radius_mm and smallest <= height_mm:
            helps.append("the part laid across the axis")
    return [*helps, "a smaller part"]


def _fits(
    size: tuple[float, float, float], reach_mm: float, times: float, vial_radius_mm: float, resin_height_mm: float
) -> bool:
    """Whether what has this size and reach goes into the resin at `times` its size, as it lies or by the corners of its
    box, centred, and is no speck in it."""
    wide = min(reach_mm, math.hypot(size[0], size[1]) / 2)
    fits = wide * times <= vial_radius_mm and size[2] * times <= resin_height_mm
    return fits and max(size) * times >= SMALL * vial_radius_mm


def require_fit(report: FitReport) -> None:
    """Raise PartError with all the numbers unless everything fits."""
    if report.fits:
        return
    raise PartError(
        f"the part is {size_text(report.size_mm)} as placed and does not fit:\n  "
        + "\n  ".join(report.problems)
        + f"\n  What can help: {any_of(report.helps)}."
    )
