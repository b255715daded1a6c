"""Where a part stands in the vial: scale, turn, lay, centre, shift; the grid around it; and whether it fits."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import PartError
from lightlathe.part.surface import Surface
from lightlathe.part.units import MM_PER_UNIT, size_text
from lightlathe.quantities import Grid


class Bounded(Protocol):
    """Anything with a place in the vial: a Surface or an analytic shape."""

    @property
    def bounds_mm(self) -> NDArray[np.float64]: ...

    @property
    def reach_mm(self) -> float: ...


def place(
    surface: Surface,
    scale: float = 1.0,
    rotation_deg: Sequence[float] = (0.0, 0.0, 0.0),
    lay: Literal["across", "along"] | None = None,
    centre: bool = True,
    shift_mm: Sequence[float] = (0.0, 0.0, 0.0),
) -> Surface:
    """Put a surface into the vial's frame (origin on the axis at half the grid's height, z up).

    Done in this order: scale; turn about the fixed axes x, then y, then z (right-handed); lay the longest side of the
    bounding box along z ("along") or along x ("across"), by renaming axes x -> y -> z -> x, which keeps handedness;
    move the middle of the bounding box to the origin; shift.
    Raises PartError for a scale that is not above 0 or numbers that are not finite.
    """
    if not (math.isfinite(scale) and scale > 0):
        raise PartError(f"scale is {scale}; expected a number above 0 (a mirrored part is another part).")
    for name, three in (("rotation_deg", rotation_deg), ("shift_mm", shift_mm)):
        if len(three) != 3 or not all(math.isfinite(v) for v in three):
            raise PartError(f"{name} is {list(three)}; expected three finite numbers, for x, y and z.")
    if lay not in (None, "across", "along"):
        raise PartError(f"lay is {lay!r}; expected 'across' or 'along' the turning axis, or nothing.")
    middle = surface.bounds_mm.mean(axis=0)
    points = (surface.vertices_mm - middle) * scale  # about its own middle: far from the origin nothing is lost
    origin = middle * scale
    if any(rotation_deg):
        turn = rotation(rotation_deg)
        points, origin = _turned(points, turn), _turned(origin[None], turn)[0]
    if lay is not None:
        longest = int(np.ptp(points, axis=0).argmax())
        steps = ((2 if lay == "along" else 0) - longest) % 3
        points, origin = np.roll(points, steps, axis=1), np.roll(origin, steps)
    if centre:
        points = points - (points.max(0) + points.min(0)) / 2
        origin = np.zeros(3)
    return surface.moved(points + (origin + np.asarray(shift_mm, dtype=np.float64)))


def rotation(degrees: Sequence[float]) -> NDArray[np.float64]:
    """(3, 3) matrix that turns columns about the fixed axes x, then y, then z. Quarter turns are exact."""
    turn = np.eye(3)
    for axis, angle in enumerate(degrees):
        quarters = angle / 90
        if quarters == round(quarters):
            c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[round(quarters) % 4]
        else:
            c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        step = np.eye(3)
        i, j = (axis + 1) % 3, (axis + 2) % 3
        step[i, i], step[i, j], step[j, i], step[j, j] = c, -s, s, c
        turn = step @ turn
    return turn


def _turned(points: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each point turned by the same few operations, so that equal points stay equal (a matrix product may not)."""
    return np.stack([points[:, 0] * r[0] + points[:, 1] * r[1] + points[:, 2] * r[2] for r in turn], axis=1)


def grid_for(placed: Sequence[Bounded], vial_radius_mm: float, voxel_mm: float, margin_voxels: int = 2) -> Grid:
    """The whole vial across, and in height all that is placed plus `margin_voxels` at either end.

    The grid's middle is the origin, so a part shifted along z makes it taller on both sides.
    """
    if not (math.isfinite(voxel_mm) and voxel_mm > 0):
        raise PartError(f"voxel_mm is {voxel_mm}; expected a length above 0 mm.")
    if not placed:
        raise PartError("there is no part to make a grid for; expected one or more.")
    hair = 1e-9  # n voxels written as a decimal may come out a rounding error above n
    across = math.ceil(2 * vial_radius_mm / voxel_mm - hair)
    half = max(float(np.abs(p.bounds_mm[:, 2]).max()) for p in placed)
    high = math.ceil(2 * half / voxel_mm - hair) + 2 * margin_voxels
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
) -> FitReport:
    """Measure clearances of one placed part; raises nothing. `read_as` is the unit it was read in, for the message."""
    low, high = placed.bounds_mm
    size = tuple(float(s) for s in high - low)
    reach = placed.reach_mm
    clearances = {
        "wall_clearance_mm": vial_radius_mm - reach,
        "top_clearance_mm": resin_height_mm / 2 - float(high[2]),
        "bottom_clearance_mm": resin_height_mm / 2 + float(low[2]),
        "field_clearance_mm": field_width_mm / 2 - reach,
        "field_top_clearance_mm": field_height_mm / 2 - float(high[2]),
        "field_bottom_clearance_mm": field_height_mm / 2 + float(low[2]),
    }
    places = {
        "wall_clearance_mm": f"the vial's inner radius of {vial_radius_mm:.4g} mm: it reaches {reach:.4g} mm from the axis",
        "top_clearance_mm": f"the top of the resin, {resin_height_mm:.4g} mm high: it reaches z = {high[2]:.4g} mm",
        "bottom_clearance_mm": f"the bottom of the resin, {resin_height_mm:.4g} mm high: it reaches z = {low[2]:.4g} mm",
        "field_clearance_mm": f"the projector's field, {field_width_mm:.4g} mm wide: it reaches {reach:.4g} mm from the axis",
        "field_top_clearance_mm": f"the top of the projector's field, {field_height_mm:.4g} mm high: it reaches z = {high[2]:.4g} mm",
        "field_bottom_clearance_mm": f"the bottom of the projector's field, {field_height_mm:.4g} mm high: it reaches z = {low[2]:.4g} mm",
    }
    slack = 1e-9 * max(vial_radius_mm, resin_height_mm)  # touching is fitting, whatever the last bit says
    problems = [f"The part passes {places[k]} (by {-v:.4g} mm)." for k, v in clearances.items() if v < -slack]
    if problems and read_as is not None:
        problems += _units_hint(size, reach, vial_radius_mm, resin_height_mm, read_as)
    return FitReport(size_mm=size, reach_mm=reach, problems=tuple(problems), **clearances)


def require_fit(report: FitReport) -> None:
    """Raise PartError with all the numbers unless everything fits."""
    if report.fits:
        return
    raise PartError(
        f"the part is {size_text(report.size_mm)} as placed and does not fit:\n  "
        + "\n  ".join(report.problems)
        + "\n  Scale it, lay it 'along' the axis, shift it, or take a wider vial or field."
    )


def _units_hint(size, reach, vial_radius_mm, resin_height_mm, read_as) -> list[str]:
    """The units in which the centred part would fit and still be larger than a twentieth of the vial."""
    fitting = []
    for unit, mm in MM_PER_UNIT.items():
        times = mm / MM_PER_UNIT[read_as]
        box_reach = math.hypot(size[0], size[1]) / 2
        fits = min(reach, box_reach) * times <= vial_radius_mm and size[2] * times <= resin_height_mm
        if fits and max(size) * times >= vial_radius_mm / 10 and unit != read_as:
            fitting.append(unit)
    if not fitting:
        return []
    return [f"It was read in {read_as}. In {' or '.join(fitting)} it would fit: is the unit right?"]
