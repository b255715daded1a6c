"""The exposure to try next: one rule for all that was seen.

With the thresholds that prints and job allow, low to high (judge/threshold.py), and m and l the largest dose around the
part and the smallest in it for a second of exposure,

    safe = [high / l, low / m]

are the exposures that print every voxel right whatever the threshold among those allowed; they exist where the allowed
interval is narrower than the design's window. What is advised lies within them wherever they exist, but after a
measured size, which goes before what the job says:

    right                   the same exposure
    a measured size         the threshold read from it, onto the wanted surface; where the design has a window, every
                            voxel comes out right if that is the threshold
    too thin ... block      the allowed threshold onto the dose that the plan has for it; where it is open at one end,
                            a step on from the prints (`_step`)
    soft                    the longest safe exposure, where it is longer than that of the print
    sank                    the shortest safe exposure, where it is shorter
    top, bottom missing,    the exposure that gives that place the threshold, where that is longer and safe
    liquid centre

The factor is that on the exposure of the last print told.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from lightlathe.judge.evidence import Doses
from lightlathe.judge.exposure_plan import LONG_S
from lightlathe.judge.threshold import REPEAT, Allowed, Estimate
from lightlathe.judge.vials import Vial
from lightlathe.support.plain import finite
from lightlathe.support.words import amount, duration

LEAPS = ("nothing", "all solid")
LEAP = 1.5  # step after nothing and a solid block (common practice, no source)
LEAST = 1.1  # smaller steps take too many prints (no source)
SMALLEST = 1.05  # step of a design without a window (no source)
STEP = 1.2  # step after too thin, too fat and closed holes (common practice, no source)


@dataclass(frozen=True)
class NextExposure:
    """What to try next; only the exposure time changes.

    factor           next exposure over that of the last print
    exposure_s       next exposure
    turns            whole turns as long as the last ones that come nearest to it, one at least
    gel_mj_cm3       threshold that it is made for; NaN where none is known
    reason           a sentence
    """

    factor: float
    exposure_s: float
    turns: int
    gel_mj_cm3: float
    reason: str

    def text(self) -> str:
        return f"next exposure: {seconds(self.exposure_s)} ({self.factor:.2f} times the last)\n{self.reason}"

    def as_json(self) -> dict[str, float | int | str | None]:
        """Plain values; None where a number is undefined."""
        return finite(asdict(self))


def seconds(time_s: float) -> str:
    """To a tenth of a second; long times in hours or days."""
    return duration(time_s) if time_s >= LONG_S else f"{time_s:.1f} s"


def to_try(factor: float, exposure_s: float, turn_s: float, gel: float, reason: str, longest_s: float) -> NextExposure:
    """`factor` times the last exposure `exposure_s`, with the reason; says so where that is longer than allowed."""
    exposure = factor * exposure_s
    if exposure > longest_s:
        allowed = f"The longest exposure allowed is {duration(longest_s)}"
        reason += f" {allowed}: use more light, or allow more time (max_exposure_s)."
    return NextExposure(factor, exposure, max(1, round(exposure / turn_s)), gel, reason)


def safe_exposures(allowed: Allowed, doses: Doses) -> tuple[float, float] | None:
    """(shortest, longest) exposure in s that prints every voxel right for every threshold allowed, each end as far as
    `allowed` has one (0 and infinity else); None where there is none, or the design has no window."""
    if not doses.has_window:
        return None
    shortest = allowed.high / doses.least_in * doses.exposure_s if math.isfinite(allowed.high) else math.inf
    longest = allowed.low / doses.most_out * doses.exposure_s if doses.most_out > 0 else math.inf
    return (shortest, longest) if shortest <= longest * (1 + 1e-9) else None


def beside(safe: tuple[float, float] | None, vials: Sequence[Vial]) -> tuple[float, float] | None:
    """What is left of the safe exposures beside prints that were too short or too long; None where nothing is."""
    if safe is None:
        return None
    low = max([safe[0], *(vial.exposure_s for vial in vials if vial.way > 0)])
    high = min([safe[1], *(vial.exposure_s for vial in vials if vial.way < 0)])
    return (low, high) if low <= high else None


def longest_safe(allowed: Allowed, doses: Doses) -> float:
    """The longest exposure in s at which nothing around the part turns solid, whatever the threshold allowed; 0 where
    that is not known, infinite where no light falls there."""
    if math.isnan(doses.most_out):
        return math.inf
    return allowed.low / doses.most_out * doses.exposure_s if doses.most_out > 0 else math.inf


def shortest_safe(allowed: Allowed, doses: Doses) -> float:
    """The shortest exposure in s at which all of the part turns solid, whatever the threshold allowed."""
    return allowed.high / doses.least_in * doses.exposure_s if doses.least_in > 0 else math.inf


def onto_threshold(
    vials: Sequence[Vial], prints: Estimate, allowed: Allowed, doses: Doses, planned_mj_cm3: float
) -> tuple[float, float, bool] | None:
    """(exposure in s, threshold it is made for, whether that is a guess) after a print that got too much or too little;
    None where nothing lies between an exposure that was too short and one that was too long.

    vials            those that agree, the last one last
    planned_mj_cm3   the threshold that `doses.exposure_s` is right for
    """
    last = vials[-1]
    short = max((vial.exposure_s for vial in vials if vial.way > 0), default=0.0)
    long = min((vial.exposure_s for vial in vials if vial.way < 0), default=math.inf)
    if short >= long:
        return None
    guess = False
    if prints.measured:
        wanted = doses.at(0.0)
        gel = prints.value
    elif allowed.closed and (
        allowed.by == "job" or short > 0 < long < math.inf or not last.kinds & set(LEAPS) or any(v.right for v in vials)
    ):
        wanted = planned_mj_cm3
        gel = math.sqrt(allowed.low * allowed.high)
        if allowed.by == "job":
            gel = (allowed.low + allowed.high) / 2
    else:
        if short > 0 and math.isfinite(long):
            return math.sqrt(short * long), math.nan, True
        return _step(last, allowed, doses, vials)
    found = gel / wanted * doses.exposure_s
    if doses.has_window:
        found = _within(found, gel, doses)
    if not short < found < long:
        if not (short > 0 and math.isfinite(long)):
            return _step(last, allowed, doses, vials)
        found, guess = math.sqrt(short * long), True
    return found, gel, guess


def _within(found: float, gel: float, doses: Doses) -> float:
    """The exposure nearest to `found` that prints this threshold right, REPEAT from either end where there is room."""
    shortest = gel / doses.least_in * doses.exposure_s
    longest = gel / doses.most_out * doses.exposure_s if doses.most_out > 0 else math.inf
    if shortest * REPEAT > longest / REPEAT:
        return math.sqrt(shortest * longest)
    return min(max(found, shortest * REPEAT), longest / REPEAT)


def _step(last: Vial, allowed: Allowed, doses: Doses, vials: Sequence[Vial]) -> tuple[float, float, bool]:
    """A step on from the prints of one kind where none of the other closes the interval.

    As far as goes without the other fault: to the longest exposure at which nothing around the part turns solid yet, or
    the shortest at which all of it is solid still, whatever the threshold allowed. So no threshold is left out between
    two prints. STEP where that is less than LEAST on; LEAP after nothing and a solid block. Without a window there is
    no such end: then what a surface off by a voxel asks for, from SMALLEST to STEP.
    """
    same = [vial.exposure_s for vial in vials if vial.way == last.way]
    if last.kinds & set(LEAPS):
        times = LEAP
    else:
        end = max(same) if last.way > 0 else min(same)
        reach = longest_safe(allowed, doses) / end if last.way > 0 else end / max(shortest_safe(allowed, doses), 1e-9)
        if doses.has_window:
            times = reach if LEAST <= reach <= LEAP else STEP
        else:  # a voxel on each side, as no distance was said
            ratio = doses.at(-last.way * doses.voxel_mm) / doses.at(0.0)
            times = min(max(ratio if last.way > 0 else 1 / ratio, SMALLEST), STEP)
    found = max(same) * times if last.way > 0 else min(same) / times
    if last.kinds & set(LEAPS) and allowed.closed and allowed.by == "both" and doses.has_window:
        # no further than to where all that is allowed would print: beyond, the next vial is wrong by what is known
        end = longest_safe(allowed, doses) if last.way > 0 else shortest_safe(allowed, doses)
        if last.way > 0:
            found = min(found, end) if end >= LEAST * max(same) else found
        else:
            found = max(found, end) if end <= min(same) / LEAST else found
    return found, math.nan, True


def described(allowed: Allowed, safe: tuple[float, float] | None) -> str:
    """The thresholds that the advice rests on, and the exposures that are right for all of them."""
    if not allowed.closed:
        return ""
    whose = {
        "job": "the job's two doses, which no print contradicts",
        "both": "what these prints and the job allow",
        "prints": "what these prints allow",
    }[allowed.by]
    text = f"{amount(allowed.low, 3)} to {amount(allowed.high, 3)} mJ/cm3 ({whose})"
    if safe is None:
        return f"This is the middle: the threshold lies from {text}."
    if safe[1] < safe[0] * REPEAT:
        return f"Only {seconds(safe[0])} is right for every threshold from {text}."
    until = "on" if math.isinf(safe[1]) else f"to {seconds(safe[1])}"
    return f"Every voxel comes out right from {seconds(safe[0])} {until}, whatever the threshold from {text}."
