"""What a person must hear about a predicted print that is not right, or only just."""

import math

from lightlathe.judge.exposure import ExposurePlan
from lightlathe.words import amount

MARGIN_PERCENT = 2.0  # lamps drift and timers round by about as much (common practice, no source)
FEW_BITS = 3  # 2 to 8 levels


def warnings(quality: dict[str, float], plan: ExposurePlan | None = None, *, bits: int | None = None) -> list[str]:
    """Plain sentences, worst first; empty if the print is right with some margin.

    quality   as from `judge.quality` (without suffix; `_fine` figures are used where present)
    plan      the exposure, where one was planned
    bits      of the projector's levels, to judge the dimming
    """
    said = []
    under, over = quality["under_cure_fraction"], quality["over_cure_fraction"]
    window = quality["window_relative"]
    if math.isnan(window):
        said.append("There is nothing to judge: no dose, no part, or nothing around the part.")
    if under > 0:
        said.append(f"{_percent(under)} of the part stays liquid: thin places will be missing or weak.")
    if over > 0:
        of_part = quality["over_cure_of_part"]
        said.append(
            f"{_percent(over)} of the resin around the part turns solid (as much as {_percent(of_part)} of the part): "
            "gaps close and edges grow fat."
        )
    if (under > 0 or over > 0) and bits is not None and bits <= FEW_BITS:
        said.append(
            f"{bits} bit{'s' if bits > 1 else ''} per pixel give only {2**bits} levels of light, which are too few for "
            "this print. Use a mode of the projector with more bits, 8 if it has them."
        )
    if window <= 0:
        said.append(
            "No exposure prints this right: some place outside the part gets more light than some place in it. "
            "More iterations, a paler resin, more angles or a smaller part help, in this order of effort."
        )
    elif window < 0.05:
        said.append(
            f"The process window is only {_percent(window)}: an exposure or a threshold off by half of that "
            "spoils the print."
        )
    elif (under > 0 or over > 0) and plan is not None and not plan.right:
        said.append("Another exposure would print it right: the planned one misses the window.")
    if plan is not None and plan.right and min(plan.shorter_percent, plan.longer_percent) < MARGIN_PERCENT:
        said.append(
            f"The exposure has hardly any margin: it is right up to {amount(plan.shorter_percent)} % shorter and "
            f"{amount(plan.longer_percent)} % longer. Lamp, timer and resin must be steadier than that."
        )
    unsure_in, unsure_out = quality["unsure_part_fraction"], quality["unsure_liquid_fraction"]
    if under == 0 and over == 0 and (unsure_in > 0 or unsure_out > 0):
        said.append(
            f"{_percent(unsure_in)} of the part and {_percent(unsure_out)} of the rest get a dose between liquid_below "
            "and solid_above: right at the gel dose, but not for sure. A narrower measured threshold settles it."
        )
    fine = quality.get("iou_fine", math.nan)
    if fine < 0.95:
        said.append(
            f"On a finer grid of the true shape the print agrees to {_percent(fine)} only; "
            f"{_percent(quality['under_cure_fraction_fine'])} of the part stays liquid there. Details may be near the "
            "voxel size, or, where pixels are finer than voxels, stripes of liquid lie between the voxels' centres, "
            "inside the part too. Voxels no wider than the pixels, and finer than the details, show or mend it."
        )
    if plan is not None and not plan.reachable:
        said.append(
            f"The longest exposure allowed ({plan.exposure_s:.0f} s) is too short for a full cure. Allow more time or "
            "use more irradiance."
        )
    if plan is not None and plan.dimming < 0.5:
        lost = f", {math.log2(1 / plan.dimming):.1f} of {bits} bits are lost" if bits else ""
        said.append(
            f"One turn is more than enough light: levels are dimmed to {_percent(plan.dimming)}{lost}. "
            "A dimmer lamp or a faster turn keeps the projector's steps fine."
        )
    return said


def _percent(share: float) -> str:
    """Two figures, and never 0 or 100 for what is not."""
    percent = 100 * share
    if math.isnan(percent):
        return "an unknown share"
    if 0 < percent < 0.01:
        return "less than 0.01 %"
    if 99.99 < percent < 100:
        return "more than 99.99 %"
    return f"{amount(percent)} %" if percent < 99 else f"{amount(percent, 4)} %"
