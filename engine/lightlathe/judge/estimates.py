"""Threshold and absorption from several prints, and the exposure to try next."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from lightlathe.judge.evidence import CORE_SOLID, OVER, UNDER, Bound, Doses, bound_of, core_bound
from lightlathe.judge.seen import CameOut
from lightlathe.support.plain import finite
from lightlathe.support.words import amount

STEPS = 400  # absorptions that are tried between the smallest and the largest prediction
SEARCHED = 1.01  # two of these steps: an absorption nearer than that to the interval's end is not ruled out
FLOOR_PERCENT = 1.0  # no laboratory repeats a dose more closely (common practice, no source)
WIDE = 1.5  # a threshold known to no better than this factor is no value for [resin] (common practice, no source)


@dataclass(frozen=True)
class Vial:
    """One print: its exposure in s and all that was seen of it."""

    exposure_s: float
    seen: tuple[CameOut, ...]

    @property
    def way(self) -> int:
        """1 where it got too little dose, -1 where it got too much, 0 where it does not say."""
        kinds = {one.kind for one in self.seen}
        return 1 if kinds & set(UNDER) else -1 if kinds & set(OVER) else 0

    @property
    def words(self) -> str:
        return f"{amount(self.exposure_s, 4)} s: {', '.join(one.words for one in self.seen)}"


NOTHING_MJ_CM3 = 1e-9  # the dose of voxels that no light reaches: no end of an interval


@dataclass(frozen=True)
class Estimate:
    """An interval that the truth lies in if the prediction and the words hold, and a value in it.

    low, high   0 and infinity where the prints set no end
    value       NaN where there is none to give
    against     two prints that cannot both be, in words; empty where all agree. The interval then spans both
    """

    value: float
    low: float
    high: float
    against: str = ""

    @property
    def closed(self) -> bool:
        """Whether both ends are set."""
        return self.low > 0 and math.isfinite(self.high)

    @property
    def close(self) -> bool:
        """Whether it is known well enough to be put into a job."""
        return self.closed and not self.against and self.high <= WIDE * self.low

    @property
    def known_to_percent(self) -> float:
        """Half the interval, in percent of the value; FLOOR_PERCENT at least."""
        return max(FLOOR_PERCENT, 50 * (self.high - self.low) / self.value)

    def rules_out(self, value: float) -> bool:
        """Whether a value lies outside the interval, by more than the steps that it was searched in."""
        return not self.against and not self.low / SEARCHED <= value <= self.high * SEARCHED

    def text(self, unit: str) -> str:
        """'36.4 mJ/cm3 (35.1 to 37.9)', 'above 30 mJ/cm3', or nothing known."""
        if not self.closed:
            ends = [f"above {amount(self.low, 3)}"] if self.low > 0 else []
            ends += [f"below {amount(self.high, 3)}"] if math.isfinite(self.high) else []
            return f"{ends[0]} {unit}" if ends else "nothing is known of it"
        return f"{amount(self.value, 3)} {unit} ({amount(self.low, 3)} to {amount(self.high, 3)})"

    def as_json(self) -> dict[str, float | str | None]:
        return finite(asdict(self))


def threshold_from(vials: Sequence[Vial], doses: Doses) -> Estimate:
    """The threshold that all prints allow, mJ/cm3, by bracketing: what every one of them says at once.

    The interval is the set of thresholds that contradict no print (the intersection of their `bound_of`); the value the
    geometric mean of what measured distances give, within it, or else the interval's geometric middle.
    Where no threshold agrees with all prints, two that contradict each other are named.
    """
    bounds = [(vial, _all(vial, doses)) for vial in vials]
    low, high = max((b.low for _, b in bounds), default=0.0), min((b.high for _, b in bounds), default=math.inf)
    low = low if low > NOTHING_MJ_CM3 else 0.0
    against = ""
    if low > high:
        lowest = max(bounds, key=lambda item: item[1].low)[0]
        highest = min(bounds, key=lambda item: item[1].high)[0]
        ends = f"asks for more than {amount(low, 3)}", f"for less than {amount(high, 3)} mJ/cm3"
        against = f"'{lowest.words}' {ends[0]}, '{highest.words}' {ends[1]}"
        low, high = high, low
    values = [b.value for _, b in bounds if not math.isnan(b.value)]
    if values:
        value = min(max(math.exp(float(np.mean(np.log(values)))), low), high)
    else:
        value = math.sqrt(low * high) if low > 0 and math.isfinite(high) else math.nan
    return Estimate(value, low, high, against)


def at_odds(vial: Vial, doses: Doses | None) -> bool:
    """Whether one print got too little in one place and too much in another, so that no exposure mends both: by its
    words, or because no threshold agrees with all that was seen of it. Such a print tells of no threshold."""
    kinds = {one.kind for one in vial.seen}
    if kinds & set(UNDER) and kinds & set(OVER):
        return True
    if doses is None or len(vial.seen) < 2:
        return False
    bound = _all(vial, doses)
    return bound.low > bound.high


def centre_liquid(vial: Vial, vials: Sequence[Vial]) -> bool:
    """Whether a print's centre stayed liquid, and no print of a longer exposure had a solid one."""
    if all(one.kind != "liquid centre" for one in vial.seen):
        return False
    longer = [{one.kind for one in other.seen} for other in vials if other.exposure_s > vial.exposure_s]
    return not any(kinds & set(CORE_SOLID) and "liquid centre" not in kinds for kinds in longer)


def telling(vials: Sequence[Vial], doses: Doses) -> int:
    """How many prints say something of the threshold."""
    bounds = [_all(vial, doses) for vial in vials]
    return sum(bound.low > 0 or math.isfinite(bound.high) for bound in bounds)


def _all(vial: Vial, doses: Doses) -> Bound:
    """What everything seen of one print says together."""
    found = Bound()
    for one in vial.seen:
        found = found.meet(bound_of(one, doses, vial.exposure_s))
    return found


def absorption_from(vials: Sequence[Vial], predicted: Sequence[tuple[float, Doses]]) -> Estimate:
    """The absorptions, 1/mm, at which some threshold agrees with all prints: with their surfaces, and with a core that
    turned solid or stayed liquid.

    predicted   (absorption, doses of the same patterns) for four absorptions or more, the smallest first. Between them
                the logarithm of dose / absorption is taken as a cubic: on the axis of a vial in straight light it is a
                straight line, log(dose / a) = c - a R (Beer-Lambert).
    The interval ends at the smallest or the largest absorption tried where the prints set no nearer end: low is then 0,
    high infinite. All NaN but `against` where no absorption tried agrees with the prints.
    """
    tried = np.array([a for a, _ in predicted])
    even = np.geomspace(tried[0], tried[-1], STEPS)
    low, high = np.zeros(STEPS), np.full(STEPS, np.inf)
    said = [(one, vial.exposure_s) for vial in vials for one in vial.seen]
    for (one, exposure_s), says in itertools.product(said, (bound_of, core_bound)):
        found = [says(one, doses, exposure_s) for _, doses in predicted]
        low = np.maximum(low, _between(tried, [bound.low for bound in found], even))
        high = np.minimum(high, _between(tried, [bound.high for bound in found], even))
    fits = low <= high
    if not fits.any():
        return Estimate(
            math.nan, 0.0, math.inf, "no absorption from half to four times the job's agrees with all prints"
        )
    first, last = int(fits.argmax()), STEPS - 1 - int(fits[::-1].argmax())
    least, most = (float(even[first]) if first > 0 else 0.0), (float(even[last]) if last < STEPS - 1 else math.inf)
    return Estimate(math.sqrt(even[first] * even[last]), least, most)


def _between(tried: np.ndarray, values: Sequence[float], even: np.ndarray) -> np.ndarray:
    """Bounds at the absorptions tried, taken to those between; 0 and infinity stay what they are."""
    if not all(0 < value < math.inf for value in values):
        return np.full(len(even), values[0])
    cubic = np.polynomial.Polynomial.fit(tried, np.log(np.array(values) / tried), min(3, len(tried) - 1))
    return even * np.exp(cubic(even))


def next_of(vials: Sequence[Vial], threshold: Estimate, doses: Doses) -> float | None:
    """The exposure in s that the prints together ask for; None where they leave it to the last one alone.

    It puts the threshold onto the wanted surface, between the longest exposure that was too short and the shortest that
    was too long, where there are both.
    """
    short = max((vial.exposure_s for vial in vials if vial.way > 0), default=0.0)
    long = min((vial.exposure_s for vial in vials if vial.way < 0), default=math.inf)
    if short >= long:
        return None
    if not math.isnan(threshold.value) and not threshold.against:
        found = threshold.value / doses.at(0.0) * doses.exposure_s
        if short < found < long:
            return found
    return math.sqrt(short * long) if short > 0 and math.isfinite(long) else None


def contradicting(vials: Sequence[Vial]) -> str:
    """Two prints of which the longer exposure got too little and the shorter too much; empty where there are none."""
    for one, other in itertools.product(vials, vials):
        if one.way > 0 > other.way and one.exposure_s >= other.exposure_s:
            return f"'{one.words}' and '{other.words}' contradict each other"
    return ""
