"""Divergence: the fan of a lens at a finite distance, and how far its rows move over the part while it turns."""

import math

import torch

from lightlathe.beams import Diverging
from lightlathe.feasibility.case import Case
from lightlathe.flow.lit import chords_of
from lightlathe.job.light import Light
from lightlathe.job.lit_space import height_mm, magnifications, width_mm
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, count, percent

FEWEST = 240  # columns or rows of any projector: small ones have 640 x 360, the least 320 x 240 (from memory)
NEAREST_MM = 60.0  # from the lens of a projector to its sharp picture (common practice, no source)


def divergence(case: Case) -> Reason | None:
    """Half angle of the fan, spread of the rows over the part, the picture against the part; none for parallel light.

    Nothing is wrong with any of it: the design accounts for it. Whether all of the part is lit is asked elsewhere.
    """
    beam, light, part = case.light.beam, case.light, case.part
    if not isinstance(beam, Diverging):
        return None
    distance_mm = beam.distance_of(light.columns, light.pixel_mm)
    angle_deg = math.degrees(beam.half_angle_rad(light.columns, light.pixel_mm))
    low, high = magnifications(light, case.vial, case.resin, part.radius_mm)
    pupil, ends = beam.lens_height_mm, (part.farthest_z_mm, -part.farthest_z_mm)
    moves_mm = max(abs(z - pupil) * (1 / low - 1 / high) for z in ends)
    ratio = distance_mm / (light.columns * light.pixel_mm)
    width, height = (
        width_mm(light, case.vial, case.resin),
        height_mm(light, case.vial, case.resin, part.radius_mm, always=True),
    )
    chords = chords_of(light, case.vial, case.resin, torch.zeros(1, dtype=torch.float64))
    lights = int(((chords.offset_mm.abs() <= part.radius_mm) & (chords.transmittance > 0)).sum())
    fan = count(angle_deg, "degree", digits=4)
    text = (
        f"the lens is {amount(distance_mm, 3)} mm before the axis, {amount(ratio, 3)} times the width of the picture: "
        f"a fan of {fan} to either side. From the part's front to its back rows spread by {percent(high / low - 1)}, "
        f"so that its ends, {amount(part.farthest_z_mm, 3)} mm from the middle, are lit in a turn from rows up to "
        f"{amount(moves_mm)} mm ({count(moves_mm / light.pixel_mm, 'pixel', digits=2)}) apart. Every place is lit at "
        f"all angles within {amount(width, 3)} mm across and {amount(height, 3)} mm up and down; the part takes "
        f"{amount(2 * part.radius_mm, 3)} and {amount(part.height_mm, 3)} mm of it, and {lights} of {light.columns} "
        "columns."
    )
    question = _whole_field(light, beam, distance_mm)
    if question:
        change = "all columns and rows of the projector: those that cannot reach the part cost nothing."
        return Reason("divergence", "marginal", f"{text} {question}", distance_mm, NEAREST_MM, "mm", change)
    tall = 2 * part.farthest_z_mm
    if tall > height + light.pixel_mm / 2:
        text += f" Its ends, {amount(tall / 2, 3)} mm from the middle, are lit for part of every turn only."
        change = f"a part within {amount(height / 2, 3)} mm of the picture's middle, or a picture that is taller there."
        return Reason("divergence", "marginal", text, tall, height, "mm", change)
    return Reason("divergence", "will work", text, high / low - 1, 0.0)


def _whole_field(light: Light, beam: Diverging, distance_mm: float) -> str:
    """Whether the field is a part of the projector's, where that is likely: the lens is placed by it. Or ''."""
    few = [f"{size} {name}" for name, size in (("columns", light.columns), ("rows", light.rows)) if size < FEWEST]
    near = beam.throw_ratio is not None and distance_mm < NEAREST_MM
    if not (few or near):
        return ""
    asked = " and ".join(few or [f"{light.columns} columns"])
    why = "so few" if few else f"a lens {amount(distance_mm, 3)} mm before its picture"
    where = "" if beam.throw_ratio is None else f", {amount(beam.throw_ratio, 3)} widths of it away"
    return (
        f"Are {asked} all that the projector has? Hardly one has {why}, and the lens is taken to stand before the "
        f"middle of the field{where}: of a field that is cut down the light comes from another place."
    )
