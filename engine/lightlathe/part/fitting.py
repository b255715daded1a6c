"""The grid around the placed solids, and whether they fit the vial, the resin and the projector's field."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import PartError
from lightlathe.part.surface import Surface
from lightlathe.part.units import MM_PER_UNIT, size_text
from lightlathe.quantities import Grid
from lightlathe.support.words import amount, any_of

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
class FitReport:
    """How a part lies in the vial and in the projector's field, mm. A clearance below 0 is an overlap.

    reach_mm                  farthest point from the turning axis
    wall_clearance_mm         to the vial's inner wall
    top_clearance_mm, bottom_clearance_mm    to the ends of the resin, which is centred on the origin
    field_clearance_mm        to the projector's edge across; at every angle the field must reach the part
    field_top_clearance_mm, field_bottom_clearance_mm    to the projector's edge in height
    problems                  one sentence for each thing that does not fit; empty where all fits
    helps                     what can make it fit, the easiest first; empty where all fits
    notes                     what fits, but is probably a mistake (a unit that makes the part tiny)
    """

    size_mm: tuple[float, float, float]
    reach_mm: float
    wall_clearance_mm: float
    top_clearance_mm: float
    bottom_clearance_mm: float
    field_clearance_mm: float
    field_top_clearance_mm: float
    field_bottom_clearance_mm: float
    problems: tuple[str, ...]
    notes: tuple[str, ...] = ()
    helps: tuple[str, ...] = ()

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
) -> FitReport:
    """Measure clearances of one placed part; raises nothing.

    read_as    the unit that the part was read in, for the message; a Surface knows its own
    insert     it only has to go into the vial: it may stick out of the resin, and needs no light
    """
    if read_as is None and isinstance(placed, Surface):
        read_as = placed.report.unit
    low, high = placed.bounds_mm
    x, y, z = (float(s) for s in high - low)
    size = x, y, z
    reach = placed.reach_mm
    clearances = {
        "wall_clearance_mm": vial_radius_mm - reach,
        "top_clearance_mm": resin_height_mm / 2 - float(high[2]),
        "bottom_clearance_mm": resin_height_mm / 2 + float(low[2]),
        "field_clearance_mm": field_width_mm / 2 - reach,
        "field_top_clearance_mm": field_height_mm / 2 - float(high[2]),
        "field_bottom_clearance_mm": field_height_mm / 2 + float(low[2]),
    }
    across = f"its farthest point is {amount(reach, 4)} mm from the axis"
    up, down = f"its top is at z = {amount(high[2], 4)} mm", f"its bottom is at z = {amount(low[2], 4)} mm"
    tall = amount(field_height_mm, 4)
    places = {
        "wall_clearance_mm": f"the vial's inner radius of {amount(vial_radius_mm, 4)} mm: {across}",
        "top_clearance_mm": f"the top of the resin, {amount(resin_height_mm, 4)} mm high: {up}",
        "bottom_clearance_mm": f"the bottom of the resin, {amount(resin_height_mm, 4)} mm high: {down}",
        "field_clearance_mm": f"the projector's field, {amount(field_width_mm, 4)} mm wide: {across}",
        "field_top_clearance_mm": f"the top of the projector's field, {tall} mm high: {up}",
        "field_bottom_clearance_mm": f"the bottom of the projector's field, {tall} mm high: {down}",
    }
    slack = 1e-6 * max(vial_radius_mm, resin_height_mm)  # touching is fitting: an STL holds float32, good to 6e-8
    looked = ["wall_clearance_mm"] if insert else list(clearances)
    what = "insert" if insert else "part"
    problems = [
        f"The {what} reaches {amount(-clearances[k], 4)} mm beyond {places[k]}."
        for k in looked
        if clearances[k] < -slack
    ]
    helps = _helps(placed, {k for k in looked if clearances[k] < -slack}, min(vial_radius_mm, field_width_mm / 2),
                   min(resin_height_mm, field_height_mm), slack)  # fmt: skip
    notes = []
    if insert:
        field_width_mm, field_height_mm, resin_height_mm = math.inf, math.inf, math.inf
    box_reach = math.hypot(x, y) / 2
    if problems and box_reach <= min(vial_radius_mm, field_width_mm / 2) and z <= min(resin_height_mm, field_height_mm):
        problems.append("Centred on the axis it would fit.")
    elif read_as is not None and (problems or max(size) < SMALL * vial_radius_mm):
        fitting = [
            unit
            for unit in MM_PER_UNIT
            if unit != read_as
            and _fits(size, MM_PER_UNIT[unit] / MM_PER_UNIT[read_as], vial_radius_mm, resin_height_mm)
        ]
        if fitting:
            hint = f"In {' or '.join(fitting)} it would fit and fill the vial better: is the unit right?"
            (problems if problems else notes).append(f"It was read in {read_as} and is {size_text(size)}. {hint}")
    return FitReport(
        size_mm=size, reach_mm=reach, problems=tuple(problems), notes=tuple(notes), helps=helps, **clearances
    )


def _helps(placed: Bounded, beyond: set[str], radius_mm: float, height_mm: float, slack_mm: float) -> tuple[str, ...]:
    """Changes that can make it fit the cylinder of light and resin, given its size and place.

    beyond   the clearances below 0
    """
    if not beyond:
        return ()
    low, high = placed.bounds_mm
    x, y, z = (float(s) for s in high - low)
    off = float(np.abs(low + high).max()) / 2
    helps = ["another place"] if off > slack_mm and max(x, y) / 2 <= radius_mm and z <= height_mm else []
    if isinstance(placed, Surface):  # analytic shapes stand upright
        smallest, middle, longest = sorted((x, y, z))
        across = bool(beyond & {"wall_clearance_mm", "field_clearance_mm"})
        if across and z < longest <= height_mm and middle / 2 <= radius_mm:
            helps.append("the part laid along the axis")
        if z == longest > height_mm and z / 2 <= radius_mm and smallest <= height_mm:
            helps.append("the part laid across the axis")
    helps.append("a smaller part")
    wider = {
        "wall_clearance_mm": "a wider vial",
        "top_clearance_mm": "more resin",
        "bottom_clearance_mm": "more resin",
        "field_clearance_mm": "a wider field of light",
        "field_top_clearance_mm": "a taller field of light",
        "field_bottom_clearance_mm": "a taller field of light",
    }
    return tuple(dict.fromkeys([*helps, *(words for name, words in wider.items() if name in beyond)]))


def _fits(size: tuple[float, float, float], times: float, vial_radius_mm: float, resin_height_mm: float) -> bool:
    """Whether a centred box of `times` this size goes into the resin, by its corners, and is no speck in it."""
    fits = math.hypot(size[0], size[1]) / 2 * times <= vial_radius_mm and size[2] * times <= resin_height_mm
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
