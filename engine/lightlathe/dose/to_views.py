"""How optics light a grid: the steps from pixels to views, and the geometry of the views."""

import math
from dataclasses import replace

import torch
from torch import Tensor

from lightlathe.dose.across import Across
from lightlathe.dose.fan import evened, evenly_spaced
from lightlathe.dose.footprint import bins_for, onto_bins, onto_slices, profile_of
from lightlathe.dose.lines import Lines
from lightlathe.dose.rebin import Directions, Rebinning, turn_beside
from lightlathe.dose.resample import Resampling
from lightlathe.dose.spread import spread_of
from lightlathe.dose.taps import REL_TOLERANCE, Taps, interpolation
from lightlathe.dose.tilt import straightened
from lightlathe.dose.views import Views
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Footprint, Grid, Optics

FINEST = 5  # bins in a voxel: kernels on cards take 6


def plan(
    optics: Optics,
    grid: Grid,
    directions: Directions = Directions(),  # noqa: B008, it does not change
    *,
    in_planes: bool = False,
) -> tuple[Resampling, Views]:
    """How these optics light this grid: the resampling (on the CPU, see `to`), and the geometry of the views it gives.

    directions   of the views, for chords that may cross; others have one view for each image
    in_planes    rows are planes already, where rows spread with depth

    Raises ShapeError where chords cross inside the vial that must not, and where rows of light meet there; and for
    square or blurred pixels on chords that are uneven or differ in direction and must not cross.
    """
    if optics.tilt is not None:
        tilted, straight, of_planes = straightened(optics, grid, directions.finer, FINEST)
        resampling, views = plan(straight, of_planes, replace(directions, finer=1), in_planes=True)
        return replace(resampling, tilted=tilted), views
    chords, footprint, radius_mm = optics.chords, optics.footprint, optics.vial_radius_mm
    share, fan, finer = _share(optics), None, directions.finer
    if chords.crossing and not evenly_spaced(chords):
        if not footprint.plain:
            finer = max(finer, bins_for(footprint, chords.row_mm, grid.voxel_mm / FINEST, len(chords.offset_mm)))
        fan, chords = evened(chords, finer, footprint)
        directions, footprint = replace(directions, finer=1), Footprint()
    angle_rad, offset = chords.angle_rad.double().cpu(), chords.offset_mm.double().cpu()
    turn, columns = chords.deflection_rad.double().cpu(), len(offset)
    bin_mm = float(offset[-1] - offset[0]) / (columns - 1) if columns > 1 else chords.row_mm
    middle_mm, lines, across, turned = float(offset[0] + offset[-1]) / 2, None, fan, None
    even, alike = _even(chords, bin_mm), bool((turn == turn[0]).all())
    crossing, finer, profile = chords.crossing and not alike, 1, None
    if not footprint.plain and (crossing or (even and alike)):
        finer = bins_for(footprint, bin_mm, grid.voxel_mm / FINEST, columns)
        finer = max(finer, directions.finer) if crossing else finer
        across = Across.of(onto_bins(footprint, columns, finer))
        columns, bin_mm = across.taps.index.shape[1], bin_mm / finer
        profile = None if crossing else profile_of(footprint, finer)
    if crossing:
        if across is fan:
            turned = Rebinning.of(chords, directions)
            columns, bin_mm = (columns + 1) * directions.finer - 1, bin_mm / directions.finer
        else:
            place = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) / finer + (len(offset) - 1) / 2
            turned = Rebinning.at(turn_beside(chords, place), angle_rad, directions)
        step = angle_rad[1] - angle_rad[0] if len(angle_rad) > 1 else torch.tensor(2 * math.pi)
        angle_rad = torch.cat([angle_rad + step * offset for offset in directions.offsets])
    elif even and alike:
        angle_rad = angle_rad + turn[0]  # chords that all turn alike are light from elsewhere
    else:
        if not footprint.plain:
            raise ShapeError("square or blurred pixels take chords that are even and alike in direction, or may cross.")
        lines, middle_mm = Lines(offset, turn, chords.dark_before, chords.dark_after), 0.0
        lines.require_apart(radius_mm)
    if abs(middle_mm) < REL_TOLERANCE * bin_mm:
        middle_mm = 0.0  # that was rounding, and kernels are faster where views from behind are mirror images
    nx, ny, nz = grid.shape
    spread, rows = spread_of(chords, optics.footprint, grid, radius_mm, in_planes) or (None, _on_slices(optics, grid))
    resampling = Resampling(
        share=None if bool((share == 1).all()) else share,
        rows=None if rows.is_identity else rows,
        late=chords.rows < nz and spread is None,
        across=across,
        turned=turned,
        profile=profile,
    )
    absorption = optics.absorption_per_mm
    views = Views(
        angle_rad,
        columns,
        bin_mm,
        nx,
        ny,
        grid.voxel_mm,
        radius_mm,
        absorption,
        middle_mm=middle_mm,
        lines=lines,
        spread=spread,
    )
    return resampling, views


def shaped(resampling: Resampling, views: Views) -> tuple[Resampling, Views] | None:
    """The same for kernels that know the profile of pixels, whose bins are columns; None where that is no help."""
    profile = resampling.profile
    if profile is None or resampling.across is None or views.ends is not None or views.depths is not None:
        return None
    bins = resampling.across.taps.inputs
    return replace(resampling, across=None, profile=None), replace(
        views, bins=bins, bin_mm=views.bin_mm * profile.knots, profile=profile
    )


def _share(optics: Optics) -> Tensor:
    """(column, 1) or (column, row): what each pixel keeps of its light."""
    share = optics.chords.transmittance.double().cpu()[:, None]
    return share if optics.illumination is None else share * optics.illumination.double().cpu()


def _even(chords: Chords, bin_mm: float) -> bool:
    """Whether the chords, dark ones included, are parallel and lie evenly."""
    offset, turn = chords.offset_mm.double().cpu(), chords.deflection_rad.double().cpu()
    columns = len(offset)
    centred = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * bin_mm
    even = bool(((offset - (offset[0] + offset[-1]) / 2 - centred).abs() < REL_TOLERANCE * bin_mm * columns).all())
    for dark, place in ((chords.dark_before, offset[0] - bin_mm), (chords.dark_after, offset[-1] + bin_mm)):
        even = even and (dark is None or abs(dark[0] - float(place)) < REL_TOLERANCE * bin_mm * columns)
        even = even and (dark is None or dark[1] == float(turn[0]))
    return even


def _on_slices(optics: Optics, grid: Grid) -> Taps:
    """Rows -> slices, of a slab as of the whole."""
    chords, footprint, at = optics.chords, optics.footprint, grid.whole.centres_mm(2)
    row_z = (torch.arange(chords.rows, dtype=torch.float64) - (chords.rows - 1) / 2) * chords.row_mm
    if footprint.plain or not footprint.across_rows:
        rows = interpolation(at, row_z, grid.voxel_mm, chords.row_mm)
    else:
        rows = onto_slices(footprint, at, row_z, grid.voxel_mm, chords.row_mm)
    return rows.part(grid.below, grid.below + grid.shape[2])
