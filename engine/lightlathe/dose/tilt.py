"""Images of a projector beside a tilted axis, as a projector that stands straight would show them.

In the frame of the axis the picture is turned about the light. It is read along lines of constant z in two passes: at
each column what its rows give at the height of the line, then across the line from columns to finer ones. Both passes
place pixels exactly. A pixel's own light is sheared by tan(tilt) where it should be turned: it lies off by 0.02 of a
pixel at its edge for one degree, and is wider by 2 tan(tilt)^2 of its variance. Even light stays even, and weights are
not negative.

Fine columns lie evenly on both sides of the axis, so that views from behind are mirror images. Light is linear between
them, which widens it by spacing^2 / 6 (variance; the mean over all places of a column between two of them). So much is
taken from the blur of the pixel, as far as there is one.

Source: rotation in two passes of one dimension each, Catmull & Smith, 3-D transformations of images in scanline order
(1980), here with the widths of pixels in place of its samples.
"""

import math
from dataclasses import replace
from typing import Any

import torch
from torch import Tensor

from lightlathe.dose.fan import between, with_dark
from lightlathe.dose.footprint import LEAST, MOST_ACROSS, bins_for, convolved
from lightlathe.dose.pixel_map import PixelMap
from lightlathe.dose.taps import REL_TOLERANCE, Taps, interpolation
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Footprint, Grid, Magnification, Optics, Tilt

# Fine columns for each one. The valve of quickstart.toml on an axis tilted by 1 degree: designed with three it has a
# window of 0.103, by six 0.103 as well; designed with two 0.094, by six 0.084
FINER = 3
SIGMAS = 6  # of a Gaussian, beyond which less than LEAST is left


def straightened(optics: Optics, grid: Grid, finer: int, finest: float) -> tuple[PixelMap, Optics, Grid]:
    """The images of a projector that stands straight, whose rows are planes, and its optics and grid.

    finer    fine columns for each one, at least, where pixels are coarse enough
    finest   of them in a voxel, at most
    """
    tilt, chords, pixel = optics.tilt, optics.chords, optics.footprint
    assert tilt is not None
    columns, rows, pixel_mm = len(chords.offset_mm), chords.rows, tilt.pixel_mm
    finer = _fine_columns(pixel, columns, _pitch_mm(chords), grid.voxel_mm, finer, finest)
    sin, cos = abs(math.sin(tilt.angle_rad)), math.cos(tilt.angle_rad)
    far_u = max(tilt.axis_column, columns - 1 - tilt.axis_column)
    far_v = (rows - 1) / 2 * chords.row_mm / pixel_mm
    if tilt.slice_z_mm is not None:
        far_v = float(tilt.slice_z_mm.abs().amax()) / pixel_mm / cos + far_u * sin / cos
    half = math.ceil((far_u * cos + far_v * sin + pixel.reach) * finer) + 1
    place = tilt.axis_column + torch.arange(-half, half + 1, dtype=torch.float64) / finer
    planes_mm, plane_mm = _planes(optics, grid, (far_u * sin + far_v * cos) * pixel_mm + pixel.reach * chords.row_mm)
    spread = chords.magnification is not None
    across = _across(tilt, pixel, columns, place, planes_mm / pixel_mm, finer)
    along = None
    if tilt.slice_z_mm is None:
        along = _along(tilt, pixel, chords, planes_mm, grid.voxel_mm, plane_mm if spread else 0.0)
    made = PixelMap(optics.illumination, along, across, (columns, rows), (len(place), len(planes_mm)))
    straight = _chords_at(chords, place, len(planes_mm), plane_mm)
    changes: dict[str, Any] = {"chords": straight, "footprint": Footprint(), "illumination": None, "tilt": None}
    if not spread:  # planes are the slices, of a slab too
        grid = Grid(grid.shape, grid.voxel_mm)
    return made, replace(optics, **changes), grid


def _fine_columns(pixel: Footprint, columns: int, pitch_mm: float, voxel_mm: float, finer: int, finest: float) -> int:
    most = min(int(finest * pitch_mm / voxel_mm * (1 + 1e-9)), MOST_ACROSS // (columns + 2 * math.ceil(pixel.reach)))
    wanted = max(finer, FINER)
    if not pixel.plain:
        wanted = max(wanted, bins_for(pixel, pitch_mm, voxel_mm / finest, columns))
    return max(1, min(wanted, most))


def _pitch_mm(chords: Chords) -> float:
    offset = chords.offset_mm
    return float(offset[-1] - offset[0]) / (len(offset) - 1) if len(offset) > 1 else chords.row_mm


def _planes(optics: Optics, grid: Grid, far_mm: float) -> tuple[Tensor, float]:
    """Heights of the planes and their distance, mm: the slices; of rows that spread, half a voxel apart over all that
    is lit, `far_mm` up and down."""
    chords, tilt = optics.chords, optics.tilt
    if tilt is not None and tilt.slice_z_mm is not None:
        return tilt.slice_z_mm.double().cpu(), grid.voxel_mm
    if chords.magnification is None:
        return grid.centres_mm(2), grid.voxel_mm
    if grid.below or grid.above:
        raise ShapeError("rows of light spread with depth over all slices; expected the whole grid, no slab of it.")
    plane_mm = min(grid.voxel_mm, chords.row_mm) / 2
    half = math.ceil(far_mm / plane_mm)
    return torch.arange(-half, half + 1, dtype=torch.float64) * plane_mm, plane_mm


def _along(tilt: Tilt, pixel: Footprint, chords: Chords, planes_mm: Tensor, voxel_mm: float, read_mm: float) -> Taps:
    """Column and plane <- column and row: what the rows of each column give at the heights of the planes.

    read_mm   distance of the planes, where light is read linearly between them, else 0
    """
    columns, rows, row_mm = len(chords.offset_mm), chords.rows, chords.row_mm
    column = torch.arange(columns, dtype=torch.float64)[:, None]
    at = tilt.height_mm(column, planes_mm[None]).flatten()
    finer = row_mm < voxel_mm * (1 - REL_TOLERANCE)
    place = at / row_mm + (rows - 1) / 2
    if pixel.plain and finer:
        row_z = (torch.arange(rows, dtype=torch.float64) - (rows - 1) / 2) * row_mm
        taps = interpolation(at, row_z, voxel_mm, row_mm)
    elif pixel.plain or not pixel.across_rows:
        taps = _reading(place, rows, (1.0, 1.0), 0.0)
    else:
        centre = pixel.shape == "linear" and not finer
        boxes = pixel.boxes if centre else (*pixel.boxes, voxel_mm / row_mm)
        taps = _reading(place, rows, boxes, _narrowed(pixel.sigma, (read_mm / row_mm) ** 2 / 6))
    first = (torch.arange(columns) * rows).repeat_interleave(len(planes_mm))
    return Taps(taps.index + first, taps.weight, columns * rows)


def _across(tilt: Tilt, pixel: Footprint, columns: int, place: Tensor, planes: Tensor, finer: int) -> Taps:
    """Fine column and plane <- column and plane, along lines of constant z.

    place, planes   of fine columns and planes, in columns
    """
    beside = (place - tilt.axis_column) * math.cos(tilt.angle_rad)
    at = tilt.axis_column + beside[:, None] + planes * math.sin(tilt.angle_rad)
    boxes = pixel.boxes if pixel.plain else (*pixel.boxes, 1 / finer)  # a fine column takes the mean over its width
    taps = _reading(at.flatten(), columns, boxes, _narrowed(pixel.sigma, (1 / 6 + 1 / 12) / finer**2))
    plane = torch.arange(len(planes)).repeat(len(place))
    return Taps(taps.index * len(planes) + plane, taps.weight, columns * len(planes))


def _narrowed(sigma: float, excess: float) -> float:
    """A Gaussian's standard deviation, of less variance by `excess`, as far as it has that."""
    return math.sqrt(max(0.0, sigma**2 - excess))


def _reading(place: Tensor, sources: int, boxes: tuple[float, ...], sigma: float) -> Taps:
    """What places read of even sources, in spacings from the first; dark ones lie beyond both ends."""
    reach = sum(boxes) / 2 + SIGMAS * sigma
    number = (place - reach).floor() + 1 + torch.arange(math.ceil(2 * reach))[:, None]
    weight = convolved(place - number, boxes, sigma)
    weight[weight < LEAST * float(weight.amax())] = 0
    weight[(number < 0) | (number >= sources)] = 0
    return Taps(number.clamp(0, sources - 1).to(torch.int64), weight, sources)


def _chords_at(chords: Chords, place: Tensor, planes: int, plane_mm: float) -> Chords:
    """The chords of fine columns: linear between those of the columns, and as between the last two beyond them."""
    number = torch.arange(-1, len(chords.offset_mm) + 1, dtype=torch.float64)
    offset, turn = (between(place, number, values, beyond=True) for values in with_dark(chords))
    inner = number[1:-1]
    spread, given = None, chords.magnification
    if given is not None:
        at_foot, per_mm = (between(place, inner, x.double().cpu(), beyond=True) for x in (given.at_foot, given.per_mm))
        spread = Magnification(at_foot, per_mm, given.pupil_z_mm)
    kept = between(place, inner, chords.transmittance.double().cpu())
    alike = bool((turn - turn[0]).abs().amax() < REL_TOLERANCE)
    return Chords(
        chords.angle_rad, offset, turn[:1].expand(len(turn)) if alike else turn, kept, planes, plane_mm,
        crossing=chords.crossing, magnification=spread,
    )  # fmt: skip
