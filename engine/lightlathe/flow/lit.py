"""The lit window: which columns and rows of the projector can reach the part at all. Others stay dark at no cost.

A column lights the vial between the chords of its two neighbours, or as far as its blur reaches, at any scan angle, and
the part turns within its reach: where the neighbour that lies nearer to the axis passes outside that reach, the column
never lights the part.
Chords are those in the resin: into a bare vial the columns that matter lie further out, and those beyond it carry no
light. A row lights slices no further away than a row or a slice, whichever is larger, where it runs at the depth of the
part; rows that light a slice of the
grid are kept, so that a slice which has a row of its own keeps it. (Voxels that must turn solid are at least half
covered, so their centres lie within the reach and the height of the part, on any grid.)

What lies outside the window could only add dose beside the part, so darkness is right there, whatever the loss.
"""

import math
from dataclasses import replace

import numpy as np
import torch
from torch import Tensor

from lightlathe.beams import Diverging
from lightlathe.families import Beam, Resin
from lightlathe.flow.solids import Solid
from lightlathe.job import Job
from lightlathe.job.design import Design
from lightlathe.job.light import Light
from lightlathe.job.lit_space import narrowing, out_of_focus_mm
from lightlathe.job.vial import Vial
from lightlathe.projector import Codebook
from lightlathe.quantities import Chords, Field, Grid

REL_TOLERANCE = 1e-9  # of a spacing: what reaches less far than this past its end is rounding
FEWEST = 2  # columns: one alone would not say how far they lie apart


def chords_of(light: Light, vial: Vial, resin: Resin, angle_rad: Tensor, axis_offset_mm: float = 0.0) -> Chords:
    """The chords of the projector's whole field; beside a tilted axis those of one that stands straight (dose/tilt.py).

    axis_offset_mm   how far the middle column misses the turning axis beyond what the job says of it: where the axis
                     lies right of the field's middle, as the projector sees it, all columns lie that far left of it
    """
    offset_mm = axis_offset_mm - light.axis_offset_pixels * light.pixel_mm
    return _beam_along_axis(light, offset_mm).chords(
        angle_rad=angle_rad,
        columns=light.columns,
        rows=light.rows,
        pixel_mm=light.pixel_mm,
        axis_offset_mm=offset_mm,
        vial=vial,
        resin=resin,
    )


def _beam_along_axis(light: Light, offset_mm: float) -> Beam:
    """The beam of a projector that stands straight beside a tilted axis: its lens is where that of the job's is.

    offset_mm   of the middle column from the axis
    """
    beam = light.beam
    if not (isinstance(beam, Diverging) and light.axis_tilt_deg):
        return beam
    tilt, across, up = math.radians(light.axis_tilt_deg), offset_mm + beam.lens_offset_mm, beam.lens_height_mm
    lens_mm = across * math.cos(tilt) - up * math.sin(tilt), across * math.sin(tilt) + up * math.cos(tilt)
    return replace(beam, lens_offset_mm=lens_mm[0] - offset_mm, lens_height_mm=lens_mm[1])


def field_of(job: Job, solids: tuple[Solid, ...], grid: Grid) -> Field:
    """The field of a job whose own members are loaded, for its part, all its scenarios and coarse stages."""
    parts = [solid.form for solid in solids if solid.role == "part"]
    reach_mm = max(form.reach_mm for form in parts)
    top_mm = max(float(np.abs(form.bounds_mm[:, 2]).max()) for form in parts)
    return lit_field(job.light, job.vial, job.resin, job.design, reach_mm, top_mm, grid.shape[2], grid.voxel_mm)


def lit_field(
    light: Light,
    vial: Vial,
    resin: Resin,
    design: Design,
    reach_mm: float,
    top_mm: float,
    slices: int,
    voxel_mm: float,
) -> Field:
    """The field for a part that reaches `reach_mm` from the axis and `top_mm` from z = 0, on a grid of `slices`.

    All of it where the projector has no dark level: pixels that cannot be dark have to be counted.
    """
    if Codebook.of(light.bits, light.response, light.planes).levels[0] > 0:
        return Field.whole(light.columns, light.rows)
    offsets = (0.0,) if design.robust is None else tuple(dict.fromkeys((0.0, *design.robust.axis_offset_mm)))
    cases = [chords_of(light, vial, resin, torch.zeros(1, dtype=torch.float64), offset) for offset in offsets]
    across_mm, along_mm = out_of_focus_mm(light, vial, resin, reach_mm)
    across_mm /= narrowing(light, vial, resin)  # columns lie closer in the resin
    reach = math.ceil(light.reach_pixels(resin.refractive_index, max(across_mm, along_mm)))
    more = max(0, reach - 1)  # columns and rows that light as far by their blur
    row_mm, end_mm = cases[0].row_mm, (slices - 1) / 2 * voxel_mm
    far_mm = [end_mm + max(row_mm, voxel_mm), *(top_mm + max(row_mm, voxel_mm * s.coarser) for s in design.ladder)]
    tilt = abs(math.radians(light.axis_tilt_deg))
    shifted = math.ceil(max(far_mm) * math.sin(tilt) / light.pixel_mm)  # columns, along a tilted axis
    first, lit = _columns(cases, reach_mm, more + shifted)
    far = _seen_from(cases, first, lit, reach_mm, max(far_mm)) / math.cos(tilt) + more * row_mm
    if tilt:
        beside = [light.axis_column(offset) - column for offset in offsets for column in (first, first + lit - 1)]
        far += max(map(abs, beside)) * row_mm * math.tan(tilt)
    return Field(light.columns, light.rows, first, lit, _rows(light.rows, row_mm, far))


def _seen_from(cases: list[Chords], first: int, lit: int, reach_mm: float, far_mm: float) -> float:
    """The height of rows, in the plane of the axis, that light up to `far_mm` above or below z = 0 within the reach."""
    found = far_mm
    for chords in cases:
        if chords.magnification is not None:
            spread = chords.magnification.part(first, first + lit)
            limits = spread.range_within(chords.offset_mm[first : first + lit], reach_mm)
            found = max(found, *(abs(u) for z in (-far_mm, far_mm) for u in spread.row_heights(z, limits)))
    return found


def _columns(cases: list[Chords], reach_mm: float, more: int) -> tuple[int, int]:
    """The first lit column and how many: those that light the part in any of the cases, the plain one first.

    more   columns at either end that light it by their blur alone

    As many are left out at either end where the plain chords lie alike on both sides of the axis: kernels are faster
    where views from behind are mirror images.
    """
    far = reach_mm * (1 + REL_TOLERANCE)
    count = len(cases[0].offset_mm)
    first, last = count - 1, 0
    for chords in cases:
        s = chords.offset_mm.double().cpu().contiguous()
        low, high = (int(torch.searchsorted(s, s.new_tensor(at), right=r)) for at, r in ((-far, False), (far, True)))
        entering = chords.transmittance.cpu().nonzero().flatten()
        if len(entering):  # those outside carry no light: they miss the vial
            low, high = max(low, int(entering[0]) + 1), min(high, int(entering[-1]))
        first, last = min(first, max(low - 1, 0)), max(last, min(high, count - 1))
    first, last = max(first - more, 0), min(last + more, count - 1)
    while last - first + 1 < min(FEWEST, count):
        first, last = max(first - 1, 0), min(last + 1, count - 1)
    s = cases[0].offset_mm.double().cpu()
    if count > 1 and bool(((s + s.flip(0)).abs() <= REL_TOLERANCE * s.diff().amin()).all()):
        first = min(first, count - 1 - last)
        last = count - 1 - first
    return first, last - first + 1


def _rows(rows: int, row_mm: float, reach_mm: float) -> int:
    """How many rows lie less than `reach_mm` from z = 0."""
    places = np.abs(np.arange(rows) - (rows - 1) / 2)
    return max(int((places * row_mm < reach_mm - REL_TOLERANCE * row_mm).sum()), 2 - rows % 2)
