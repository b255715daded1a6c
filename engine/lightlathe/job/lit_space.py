"""How far the light of a job reaches in the resin: its width, its height, the magnification of its rows."""

import torch

from lightlathe.beams import Diverging, RoundVial, Telecentric
from lightlathe.families import Resin
from lightlathe.job.light import Light
from lightlathe.job.vial import Vial


def narrowing(light: Light, vial: Vial, resin: Resin) -> float:
    """Width of the light in the resin over that outside, where the beam is one of this program's."""
    if isinstance(light.beam, Diverging):
        return light.beam.narrowing(light.columns, light.pixel_mm, RoundVial.of(vial, resin))
    if vial.surroundings in (None, "matched") or not isinstance(light.beam, Telecentric):
        return 1.0
    return RoundVial.of(vial, resin).narrowing


def is_bare(vial: Vial, resin: Resin) -> bool:
    """Whether the job says that the vial stands in something of another index than the resin's."""
    return vial.surroundings not in (None, "matched") and not RoundVial.of(vial, resin).matched


def out_of_focus_mm(light: Light, vial: Vial, resin: Resin, reach_mm: float) -> tuple[float, float]:
    """How far from its focus light is at most within `reach_mm` of the axis, by the width that it has there: across
    and along the axis, in lengths along which it widens by its cone in the resin. Behind a bare vial they differ.
    """
    if not is_bare(vial, resin) or not isinstance(light.beam, Telecentric):
        far_mm = reach_mm + abs(light.focus_mm or 0.0)
        return far_mm, far_mm
    layers = RoundVial.of(vial, resin)
    outside = torch.linspace(0, min(reach_mm, layers.addressable_mm), 9, dtype=torch.float64) / layers.narrowing
    return reach_mm / layers.narrowing, reach_mm + float(layers.focus_along_mm(outside).abs().amax())


def beam_width_mm(light: Light, vial: Vial, resin: Resin) -> float:
    """Twice the distance from the axis at which the last ray passes it, also where that is beyond the vial."""
    if isinstance(light.beam, Diverging):
        layers, off_mm = RoundVial.of(vial, resin), light.axis_offset_pixels * light.pixel_mm
        return light.beam.width_mm(light.columns, light.pixel_mm, layers, off_mm)
    return light.columns_about_axis * light.pixel_mm * narrowing(light, vial, resin)


def width_mm(light: Light, vial: Vial, resin: Resin) -> float:
    """Width of the light in the resin, as far as it reaches on both sides of the axis. That of the whole vial where all
    rays that can enter it do: more would miss."""
    width, inner = beam_width_mm(light, vial, resin), vial.inner_diameter_mm
    if vial.surroundings in (None, "matched") or not isinstance(light.beam, Telecentric | Diverging):
        return width
    return max(width, inner) if width >= 2 * RoundVial.of(vial, resin).addressable_mm else width


def magnifications(light: Light, vial: Vial, resin: Resin, reach_mm: float) -> tuple[float, float]:
    """Minimum and maximum magnification of the rows no further than `reach_mm` from the axis: (1, 1) for level ones."""
    if not isinstance(light.beam, Diverging):
        return 1.0, 1.0
    chords = light.beam.chords(
        angle_rad=torch.zeros(1, dtype=torch.float64),
        columns=light.columns,
        rows=light.rows,
        pixel_mm=light.pixel_mm,
        axis_offset_mm=-light.axis_offset_pixels * light.pixel_mm,
        vial=vial,
        resin=resin,
    )
    near = (chords.offset_mm.abs() <= reach_mm) & (chords.transmittance > 0)
    if chords.magnification is None or not bool(near.any()):
        return 1.0, 1.0
    first, last = near.nonzero()[[0, -1], 0].tolist()
    return chords.magnification.part(first, last + 1).range_within(chords.offset_mm[first : last + 1], reach_mm)


def height_mm(light: Light, vial: Vial, resin: Resin, reach_mm: float, *, always: bool = False) -> float:
    """Height of the light within `reach_mm` of the axis: what some image of a turn reaches, `always`: what all do.

    Of a lens that is not at z = 0: twice the height on the side where that is more, `always`: less.
    """
    edge_mm = light.rows * light.pixel_mm / 2
    if not isinstance(light.beam, Diverging):
        return 2 * edge_mm
    pupil = light.beam.lens_height_mm
    limits = magnifications(light, vial, resin, reach_mm)
    least_or_most = min if always else max
    sides = [least_or_most(sign * pupil + (edge_mm - sign * pupil) * m for m in limits) for sign in (1, -1)]
    return max(0.0, 2 * least_or_most(sides))
