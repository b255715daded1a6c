"""What the kernels are given of some optics: one product for each band of depth, and where its chords end."""

from dataclasses import replace

from lightlathe.dose.astigmatism import in_depth
from lightlathe.dose.ends import Ends
from lightlathe.dose.focus import bands
from lightlathe.dose.rebin import Directions
from lightlathe.dose.resample import Resampling, plan
from lightlathe.dose.views import Views
from lightlathe.errors import ShapeError
from lightlathe.quantities import Astigmatism, Grid, Optics


def layers(
    optics: Optics,
    grid: Grid,
    directions: Directions = Directions(),  # noqa: B008, it does not change
) -> list[tuple[Resampling, Views]]:
    """As `plan`, for each band of depth that light out of focus takes (focus.py), with the ends of chords at inserts
    (ends.py): the doses of all add up.
    """
    if isinstance(optics.defocus, Astigmatism):
        return _behind_a_bare_vial(optics, grid, directions, optics.defocus.turn_rad)
    offset = optics.chords.offset_mm
    pitch_mm = float(offset[-1] - offset[0]) / (len(offset) - 1) if len(offset) > 1 else optics.chords.row_mm
    found, all_bands = [], bands(optics.footprint, optics.defocus, pitch_mm, optics.vial_radius_mm)
    for band, footprint in all_bands:
        resampling, views = plan(optics.replace(footprint=footprint, defocus=None), grid, directions)
        if (grid.below or grid.above) and len(all_bands) == 1:
            resampling = resampling.narrowed(optics.chords.rows)
        resampling, ends = _ended(resampling, views, optics, grid)
        found.append((resampling, replace(views, band=band, ends=ends)))
    return found


def _behind_a_bare_vial(
    optics: Optics, grid: Grid, directions: Directions, turn_rad: float
) -> list[tuple[Resampling, Views]]:
    found = []
    for band, blurred, light in in_depth(optics):
        resampling, views = plan(light, grid, replace(directions, blur_rad=turn_rad))
        resampling, ends = _ended(resampling, views, light, grid)
        found.append((replace(resampling, blurred=blurred), replace(views, band=band, ends=ends)))
    return found


def _ended(resampling: Resampling, views: Views, optics: Optics, grid: Grid) -> tuple[Resampling, Ends | None]:
    """Where chords end, and the resampling: rows become slices before they are lit, unless all slices are lit alike."""
    if optics.shadows is None:
        return resampling, None
    if views.spread is not None:
        raise ShapeError(
            "light whose rows spread with depth (a diverging beam) is not computed around an opaque insert; expected a "
            "telecentric beam, or opaque = false in the insert's [[part]], which takes light to pass through it."
        )
    classes = optics.shadows.classes(grid)
    if resampling.rows is not None and resampling.late:
        if bool((classes == classes[0]).all()):
            classes = classes[:1].expand(resampling.rows.inputs)
        else:
            resampling = replace(resampling, late=False)
    lines = views.lines
    chords = (views.offset_mm(), None) if lines is None else (lines.offset_mm, lines.deflection_rad)
    return resampling, Ends.of(optics.shadows, classes, views.angle_rad, *chords)
