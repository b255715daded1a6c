"""How much shorter or longer an exposure may be: of a print as it is, and of a resin whose doses change with time."""

import math
from collections.abc import Mapping
from dataclasses import replace

from lightlathe.families import Resin
from lightlathe.judge.exposure_plan import ExposurePlan
from lightlathe.judge.right_ranges import right_ranges

MARGINS = ("shortest_s", "longest_s", "sure", "shorter_percent", "longer_percent")  # figures of the margins of a plan


def margins(quality: Mapping[str, float], exposure_s: float, resin: Resin) -> dict[str, float]:
    """Figures of the exposures around one that is given that print right, named as in a plan of it; none where no dose
    reaches the part.

    quality   of the print at that exposure, as from judge/quality.py
    """
    out, inside = quality["window_low_mj_cm3"], quality["window_high_mj_cm3"]
    out, here = out if math.isfinite(out) else 0.0, resin.at(exposure_s)
    if not (math.isfinite(inside) and inside > 0):
        return {}
    sure, right = right_ranges(out, inside, here.liquid_below_mj_cm3, here.solid_above_mj_cm3)
    low, high = sure or right or (math.nan, math.nan)
    plan = ExposurePlan(
        turns=1, dimming=1.0, exposure_s=exposure_s, turn_s=exposure_s, shortest_s=low * exposure_s,
        longest_s=high * exposure_s, sure=sure is not None, low_mj_cm3=out, high_mj_cm3=inside,
        gel_mj_cm3=here.gel_mj_cm3, reachable=True,
    )  # fmt: skip
    found = with_margins_of(plan, resin).figures()
    return {name: math.nan if math.isnan(found[name]) else found[name] for name in MARGINS}  # nan itself equals itself


def is_steady(resin: Resin, exposure_s: float) -> bool:
    """Whether the resin's threshold doses are independent of the exposure time."""
    return resin.at(exposure_s) == resin.at(2 * exposure_s)


def with_margins_of(plan: ExposurePlan, resin: Resin) -> ExposurePlan:
    """The plan with margins for a resin whose threshold doses depend on the exposure time."""
    here = resin.at(plan.exposure_s)
    if is_steady(resin, plan.exposure_s):
        return plan
    sure = plan.low_mj_cm3 <= here.liquid_below_mj_cm3 and plan.high_mj_cm3 >= here.solid_above_mj_cm3
    plan = replace(plan, sure=sure, gel_mj_cm3=here.gel_mj_cm3)

    def right(seconds: float) -> bool:
        then = resin.at(seconds)
        low, high = (then.liquid_below_mj_cm3, then.solid_above_mj_cm3) if plan.sure else (then.gel_mj_cm3,) * 2
        share = seconds / plan.exposure_s
        return plan.low_mj_cm3 * share <= low and plan.high_mj_cm3 * share >= high

    def end(wrong: float) -> float:
        """The end of the range around the plan's exposure, by bisection to a thousandth."""
        good = plan.exposure_s
        if right(wrong):
            return wrong
        while abs(wrong - good) > 1e-3 * plan.exposure_s:
            middle = (good + wrong) / 2
            good, wrong = (middle, wrong) if right(middle) else (good, middle)
        return good

    if not right(plan.exposure_s):
        return replace(plan, shortest_s=math.nan, longest_s=math.nan)
    return replace(plan, shortest_s=end(plan.exposure_s / 10), longest_s=end(plan.exposure_s * 10))
