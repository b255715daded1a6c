"""How long to expose: scales the patterns' dose window onto the resin's thresholds."""

import math
from dataclasses import asdict, dataclass

from lightlathe.errors import JobError
from lightlathe.judge.right_ranges import between, right_ranges
from lightlathe.support.words import amount, count, duration

REL_TOLERANCE = 1e-9  # relative; rounding
LONG_S = 7200.0  # longer times are given in hours or days
MAX_DECIMALS = 4  # of a time in s


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
