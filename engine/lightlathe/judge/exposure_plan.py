"""How long to expose: scales the patterns' dose window onto the resin's thresholds."""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

from lightlathe.errors import JobError
from lightlathe.families import Resin
from lightlathe.support.words import amount, count, duration

REL_TOLERANCE = 1e-9  # relative; rounding
LONG_S = 7200.0  # longer times are given in hours or days
MAX_DECIMALS = 4  # of a time in s
MARGINS = ("shortest_s", "longest_s", "sure", "shorter_percent", "longer_percent")  # figures of the margins of a plan


@dataclass(frozen=True)
class ExposurePlan:
    """Whole turns and one dimming factor for all levels. Margins are in total exposure time, all else unchanged.

    turns            whole turns
    dimming          factor, at most 1, on all pattern levels
    exposure_s       turns * seconds per turn
    shortest_s, longest_s    exposures between which the print is right; NaN where none is
    sure             right for every threshold between liquid_below and solid_above; else only for the gel dose
    low_mj_cm3, high_mj_cm3  max dose outside the part, min inside, at this exposure
    gel_mj_cm3       the threshold that the plan is made for
    reachable        False if max_exposure_s is too short; the plan then exposes as long as allowed
    """

    turns: int
    dimming: float
    exposure_s: float
    turn_s: float
    shortest_s: float
    longest_s: float
    sure: bool
    low_mj_cm3: float
    high_mj_cm3: float
    gel_mj_cm3: float
    reachable: bool

    @property
    def right(self) -> bool:
        """Whether this exposure prints every voxel right."""
        low, high = self.shortest_s * (1 - REL_TOLERANCE), self.longest_s * (1 + REL_TOLERANCE)
        return low <= self.exposure_s <= high  # NaN compares false

    @property
    def shorter_percent(self) -> float:
        """How much shorter the exposure may be, in percent of it; negative if it is too short already."""
        return 100 * (1 - self.shortest_s / self.exposure_s)

    @property
    def longer_percent(self) -> float:
        return 100 * (self.longest_s / self.exposure_s - 1)

    def figures(self) -> dict[str, float]:
        """Every number of the plan, as a result file holds them."""
        numbers = {name: float(value) for name, value in asdict(self).items()}
        return numbers | {"shorter_percent": self.shorter_percent, "longer_percent": self.longer_percent}

    def text(self, voxels: str = "of the job's own grid", finer: str = "", *, around: bool = True) -> str:
        """Two lines for the summary.

        voxels   those on which the margins hold
        finer    what holds on a finer grid, said in the same line
        around   something around the part is judged
        """
        dimming = f"{self.dimming:.3f}" if self.dimming >= 0.1 else amount(self.dimming)
        turns = f"{count(self.turns, 'turn')} of {self.turn_s:g} s"
        first = f"{_time(self.exposure_s)}: {turns}, levels at {dimming} of the design's light"
        also = f"; {finer}" if finer else ""
        if math.isnan(self.shortest_s):
            return f"{first}\nno exposure prints every voxel {voxels} right{also}"
        if math.isinf(self.longest_s):
            why = "no light falls outside the part" if around else "nothing around the part is judged"
            return f"{first}\nright from {_time(self.shortest_s)} on, on voxels {voxels}: {why}{also}"
        sure = "whatever the threshold within the resin's two doses" if self.sure else "for the gel dose only"
        return f"{first}\nright {self._from_to()} on voxels {voxels}, {sure}: {self._margins()}{also}"

    def _decimals(self) -> int:
        """Decimals that distinguish the exposure from both ends of its range; 1 or more."""
        apart = (self.longest_s - self.shortest_s, self.exposure_s - self.shortest_s, self.longest_s - self.exposure_s)
        finest = min((abs(seconds) for seconds in apart if abs(seconds) > REL_TOLERANCE * self.exposure_s), default=1.0)
        return min(max(1, math.ceil(-math.log10(2 * finest))), MAX_DECIMALS)

    def _from_to(self) -> str:
        if self.longest_s >= LONG_S:
            low, high = _time(self.shortest_s), _time(self.longest_s)
            same = low.partition(" ")[2] == high.partition(" ")[2]
            return f"from {low.partition(' ')[0] if same else low} to {high}"
        places = self._decimals()
        return f"from {self.shortest_s:.{places}f} to {self.longest_s:.{places}f} s"

    def _margins(self) -> str:
        """The margins on either side, or by how much the exposure misses the range."""
        places, now = self._decimals(), _time(self.exposure_s)
        short, long = self.exposure_s - self.shortest_s, self.longest_s - self.exposure_s
        if short < 0:
            return f"{now} is {_time(-short, places)} ({_percent(-self.shorter_percent)}) too short"
        if long < 0:
            return f"{now} is {_time(-long, places)} ({_percent(-self.longer_percent)}) too long"
        return (
            f"{_time(short, places)} ({_percent(self.shorter_percent)}) shorter, "
            f"{_time(long, places)} ({_percent(self.longer_percent)}) longer"
        )


def _time(seconds: float, places: int = 1) -> str:
    return duration(seconds, 4) if seconds >= LONG_S else f"{seconds:.{places}f} s"


def _percent(percent: float) -> str:
    return f"{percent:.0f} %" if percent >= 1 else f"{amount(percent)} %"


def plan_exposure(
    max_out_per_turn: float,
    min_in_per_turn: float,
    liquid_below: float,
    solid_above: float,
    turn_s: float,
    max_exposure_s: float | None = None,
    *,
    best_per_turn: tuple[float, float] | None = None,
    full_turns: float | None = None,
    least_turns: int = 1,
    aim: float = 0.5,
) -> ExposurePlan:
    """Turns and dimming that put the patterns' dose window over the resin's.

    max_out_per_turn, min_in_per_turn    mJ/cm3 of one turn of the levels as they are, outside and inside the part
    liquid_below, solid_above            mJ/cm3, the resin's; the gel dose is their middle
    turn_s, max_exposure_s               seconds of one turn; longest exposure allowed
    best_per_turn    thresholds that print best (`best_thresholds`), for where the window is negative
                     and no exposure is right everywhere
    least_turns      expose no shorter, and dim the levels instead
    full_turns       turns of the undimmed levels, where doses are wanted rather than a threshold passed (graded parts)
    aim              where among the right exposures to aim, 0 the shortest, 1 the longest, on a logarithmic scale

    The rule, unless full_turns says x, with x = turns * dimming:
    1. where x * max_out <= liquid_below and x * min_in >= solid_above can both hold, x is `aim` of the way through
       the x for which they do;
    2. else, where the window is positive, `aim` of the way through the x that put the gel dose between x * max_out
       and x * min_in (not for a resin with liquid_below = 0, which turns solid at any dose);
    3. else x puts the middle of best_per_turn (without it: of max_out and min_in) on the gel dose.
    Turns are x rounded up to a whole number, dimming makes up the difference.
    Raises JobError if no dose reaches the part, or a number is not one.
    """
    given = {"solid_above": solid_above, "turn_s": turn_s, "min_in_per_turn": min_in_per_turn}
    for name, value in given.items():
        if not math.isfinite(value):
            raise JobError(f"{name} is {value}; the exposure needs a finite number.")
    if turn_s <= 0 or solid_above <= 0 or liquid_below < 0:
        raise JobError(
            f"turn_s is {turn_s}, liquid_below {liquid_below}, solid_above {solid_above}; expected a turn and a "
            "solid_above over 0, and liquid_below 0 or more."
        )
    out = max_out_per_turn if math.isfinite(max_out_per_turn) else 0.0
    gel = (liquid_below + solid_above) / 2
    sure_range, gel_range = right_ranges(out, min_in_per_turn, liquid_below, solid_above)
    sure = sure_range is not None
    if (best := sure_range or gel_range) is not None:
        low, high = best
        x = between(low, high, aim)
    else:
        bounds = best_per_turn or (out, min_in_per_turn)
        middle = (bounds[0] + bounds[1]) / 2
        if not (math.isfinite(middle) and middle > 0):
            raise JobError(
                f"the patterns leave {min_in_per_turn} to {out} mJ/cm3 per turn; expected some dose in the part.\n"
                "  Does the light reach it? Check the beam's width, the part's place and the resin's absorption."
            )
        x, low, high = gel / middle, math.nan, math.nan
    if full_turns is not None:
        x = full_turns
        if sure_range is None or not sure_range[0] <= x <= sure_range[1]:
            sure = False
            low, high = gel_range or (math.nan, math.nan)
    turns = max(least_turns, math.ceil(x - 1e-9))
    allowed = math.inf if max_exposure_s is None else math.floor(max_exposure_s / turn_s + 1e-9)
    if allowed < 1:
        raise JobError(
            f"max_exposure_s is {max_exposure_s}, less than one turn of {turn_s} s; expected one turn or more."
        )
    reachable = turns <= allowed
    turns = turns if reachable else int(allowed)
    dimming = min(1.0, x / turns)
    x, exposure = turns * dimming, turns * turn_s
    return ExposurePlan(
        turns=turns,
        dimming=dimming,
        exposure_s=exposure,
        turn_s=turn_s,
        shortest_s=exposure * low / x,
        longest_s=exposure * high / x,
        sure=sure,
        low_mj_cm3=x * out,
        high_mj_cm3=x * min_in_per_turn,
        gel_mj_cm3=gel,
        reachable=reachable,
    )


def right_ranges(
    out: float, inside: float, liquid_below: float, solid_above: float
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    """(lowest, highest) factors on an exposure that print right: whatever the threshold between the resin's two doses,
    and for its gel dose; None where no factor does.

    out, inside   mJ/cm3 of that exposure: most outside the part, least in it
    """
    if not inside > out:
        return None, None
    gel = (liquid_below + solid_above) / 2
    high = liquid_below / out if out > 0 else (math.inf if liquid_below > 0 else -math.inf)
    sure = (solid_above / inside, high) if solid_above / inside <= high else None
    right = (gel / inside, gel / out if out > 0 else math.inf) if liquid_below > 0 or out == 0 else None
    return sure, right


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


def between(low: float, high: float, aim: float) -> float:
    """The point `aim` of the way from low to high on a logarithmic scale; twice the lower if there is no upper end."""
    return low ** (1 - aim) * high**aim if math.isfinite(high) else 2 * low


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
