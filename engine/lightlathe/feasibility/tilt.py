"""A tilted axis: how far light would miss without allowing for it, and whether the turned picture covers the part."""

import math

from lightlathe.feasibility.case import Case
from lightlathe.job.lit_space import beam_width_mm, height_mm
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, count


def tilt(case: Case) -> Reason | None:
    """What the tilt moves at the part's ends, and the width and height of the picture that it takes; none without one.

    The design allows for it. Where the picture is too small for the part's ends, they are lit for part of every turn.
    """
    light, part = case.light, case.part
    if light.axis_tilt_deg == 0:
        return None
    angle = math.radians(abs(light.axis_tilt_deg))
    sin, cos, end, pixel = math.sin(angle), math.cos(angle), part.farthest_z_mm, light.pixel_mm
    beside = part.radius_mm / case.narrowing  # outside the vial
    across, along = 2 * end * math.tan(angle), 2 * beside * math.tan(angle)
    side = "right" if light.axis_tilt_deg > 0 else "left"
    text = (
        f"the axis leans {count(abs(light.axis_tilt_deg), 'degree', digits=3)} to the {side}: light moves by "
        f"{count(across / pixel, 'column')} from the part's bottom to its top and by {count(along / pixel, 'row')} "
        f"from side to side. The design allows for both; one that did not would miss the axis by {amount(across / 2)} "
        f"mm ({count(across / 2 / pixel, 'pixel')}) at the part's ends and smear it along z (the valve of "
        "quickstart.toml loses all of its window by 0.22 pixels there). A tilt towards the projector is not computed"
    )
    wide, tall = (beside * cos + end * sin) * case.narrowing, end * cos + beside * sin
    space = light, case.vial, case.resin
    has_wide, has_tall = beam_width_mm(*space) / 2, height_mm(*space, part.radius_mm, always=True) / 2
    slack = pixel / 2
    if wide > has_wide + slack or tall > has_tall + slack:
        text += (
            f". Turned so, the part takes {amount(2 * wide, 3)} mm of the light's width and {amount(2 * tall, 3)} mm "
            f"of its height, which are {amount(2 * has_wide, 3)} and {amount(2 * has_tall, 3)} mm: its ends may be lit "
            "for part of every turn only."
        )
        change = "a stage or a projector that stands straight, a larger picture, or a smaller part."
        return Reason("tilt", "marginal", text, 2 * wide, 2 * has_wide, "mm", change)
    return Reason("tilt", "will work", f"{text}.", across / pixel, 0.0, "columns")
