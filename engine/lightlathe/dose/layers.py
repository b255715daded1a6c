"""What the kernels are given of some optics: one product for each band of depth, and what inserts do to its chords."""

from dataclasses import replace

import torch

from lightlathe.dose.astigmatism import in_depth
from lightlathe.dose.depths import Depths
from lightlathe.dose.ends import Ends
from lightlathe.dose.focus import bands
from lightlathe.dose.rebin import Directions
from lightlathe.dose.resample import Resampling
from lightlathe.dose.to_views import plan
from lightlathe.dose.views import Views
from lightlathe.errors import ShapeError
from lightlathe.quantities import Astigmatism, Grid, Optics, joint_classes


def layers(
    optics: Optics,
    grid: Grid,
    directions: Directions = Directions(),  # noqa: B008, it does not change
) -> list[tuple[Resampling, Views]]:
    """As `plan`, for each band of depth that light out of focus takes (focus.py), with the ends of chords at opaque
    inserts (ends.py), or what inserts take of their light (depths.py): the doses of all add up.
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
        found.append(_around_inserts(resampling, replace(views, band=band), optics, grid))
    return found


def _behind_a_bare_vial(
    optics: Optics, grid: Grid, directions: Directions, turn_rad: float
) -> list[tuple[Resampling, Views]]:
    found = []
    for band, blurred, light in in_depth(optics):
        resampling, views = plan(light, grid, replace(directions, blur_rad=turn_rad))
        resampling, views = _around_inserts(resampling, replace(views, band=band), light, grid)
        found.append((replace(resampling, blurred=blurred), views))
    return found


def _around_inserts(resampling: Resampling, views: Views, optics: Optics, grid: Grid) -> tuple[Resampling, Views]:
    """With what inserts do to the chords; rows become slices before they are lit, unless all slices are lit alike."""
    around = optics.in_the_way
    if not around:
        return resampling, views
    sections = [sections for sections, _ in around]
    if len(sections) == 1:
        classes, members = sections[0].classes(grid), torch.arange(sections[0].covered.shape[2])[:, None]
    else:
        classes, members = joint_classes(sections, grid)
    alike = bool((classes == classes[0]).all())
    planes = None if resampling.rows is None else resampling.rows.inputs
    if views.spread is not None:
        if not alike:
            raise ShapeError(
                "the cross-section of an insert changes along z, and light whose rows spread with depth (a diverging "
                "beam) crosses several; expected one that is the same in all slices of the grid, such as a rod that "
                "stands through, or a telecentric beam."
            )
        planes = views.spread.planes
    elif planes is None or not resampling.late:
        planes = len(classes)
    elif not alike:
        resampling, planes = replace(resampling, late=False), len(classes)
    if alike:
        classes = classes[:1].expand(planes)
    lines = views.lines
    chords = (views.offset_mm(), None) if lines is None else (lines.offset_mm, lines.deflection_rad)
    if optics.shadows is not None and len(around) == 1 and views.spread is None:
        return resampling, replace(views, ends=Ends.of(optics.shadows, classes, views.angle_rad, *chords))
    beyond = tuple(per_mm for _, per_mm in around)
    depths = Depths(tuple(sections), beyond, members, classes, views.angle_rad, *chords)
    return resampling, replace(views, depths=depths.used())
