"""The resin's threshold from several prints, and together with what the job says of it.

Each print allows an interval of the threshold (judge/evidence.py); all together allow their intersection. The job's own
statement is an interval as well, the hull of its two doses and of its gel dose less and plus doses_known_to_percent:

    P = intersection of the intervals of all prints
    J = [min(liquid_below, gel (1 - p)), max(solid_above, gel (1 + p))]
    allowed = [liquid_below, solid_above]    where that lies in P: the prints confirm the job as it stands
            = P and J                        where they overlap
            = P                              where they do not: the prints rule the job's doses out

Where P itself is empty, the two prints that are furthest apart are named and nothing is concluded; ends of prints that
miss each other by REPEAT or less count as meeting, since lamps and timers repeat no better: P then reaches REPEAT
beyond either end, low <= T <= high with low = (least high) / REPEAT and high = (largest low) REPEAT. An upper end that
no light reaches is none: where it is dark nothing turns solid, so that print is not of this light.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Literal

import numpy as np

from lightlathe.judge.evidence import NOTHING_MJ_CM3, REPEAT, Doses
from lightlathe.judge.outcome import MARGIN_PERCENT
from lightlathe.judge.vials import Vial
from lightlathe.support.plain import finite
from lightlathe.support.words import amount

SEARCHED = 1.01  # two steps of judge/absorption.py: a value nearer than that to the interval's end is not ruled out
FLOOR_PERCENT = MARGIN_PERCENT  # lamps and timers keep no dose more closely
WIDE = 1.5  # a threshold known to no better than this factor is no value for [resin] (common practice, no source)


@dataclass(frozen=True)
class Estimate:
    """An interval that the truth lies in if the prediction and the words hold, and a value in it.

    low, high   0 and infinity where the prints set no end
    value       NaN where there is none to give
    measured    the value rests on measured sizes
    against     two prints that cannot both be, in words; empty where all agree. The interval then spans both
    """

    value: float
    low: float
    high: float
    against: str = ""
    measured: bool = False

    @property
    def closed(self) -> bool:
        """Whether both ends are set."""
        return self.low > 0 and math.isfinite(self.high)

    @property
    def tells(self) -> bool:
        """Whether any end is set."""
        return self.low > 0 or math.isfinite(self.high)

    @property
    def close(self) -> bool:
        """Whether it is known well enough to be put into a job."""
        return self.closed and not self.against and self.high <= WIDE * self.low

    def rules_out(self, value: float) -> bool:
        """Whether a value lies outside the interval, by more than the steps that it was searched in."""
        return not self.against and not self.low / SEARCHED <= value <= self.high * SEARCHED

    def text(self, unit: str) -> str:
        """'36.4 mJ/cm3 (35.1 to 37.9)', 'above 30 mJ/cm3', or nothing known."""
        if not self.closed:
            ends = [f"above {amount(self.low, 3)}"] if self.low > 0 else []
            ends += [f"below {amount(self.high, 3)}"] if math.isfinite(self.high) else []
            if self.measured and ends:
                return f"{amount(self.value, 3)} {unit} ({ends[0]})"
            return f"{ends[0]} {unit}" if ends else "nothing is known of it"
        return f"{amount(self.value, 3)} {unit} ({amount(self.low, 3)} to {amount(self.high, 3)})"

    def as_json(self) -> dict[str, float | str | bool | None]:
        return finite(asdict(self))


def threshold_from(vials: Sequence[Vial], doses: Doses) -> Estimate:
    """The threshold that all prints allow, mJ/cm3: P of this module's formula.

    The value is the geometric mean of what measured sizes give, where that lies within the interval, or else the
    interval's geometric middle.
    """
    bounds = [(vial, vial.bound(doses)) for vial in vials]
    low = max((b.low for _, b in bounds if b.low > NOTHING_MJ_CM3), default=0.0)
    high = min((b.high for _, b in bounds if b.high > NOTHING_MJ_CM3), default=math.inf)
    against = ""
    if low > high:
        lowest = next(vial for vial, b in bounds if b.low == low)
        highest = next(vial for vial, b in bounds if b.high == high)
        if low <= REPEAT * high:
            low, high = low * REPEAT, high / REPEAT
        else:
            ends = f"asks for more than {amount(low, 3)}", f"for less than {amount(high, 3)} mJ/cm3"
            against = f"'{lowest.words}' {ends[0]}, '{highest.words}' {ends[1]}"
        low, high = high, low
    values = [b.value for _, b in bounds if not math.isnan(b.value)]
    value = math.exp(float(np.mean(np.log(values)))) if values else math.nan
    measured = low <= value <= high  # NaN compares false
    if not measured:
        value = math.sqrt(low * high) if low > 0 and math.isfinite(high) else math.nan
    return Estimate(value, low, high, against, measured)


@dataclass(frozen=True)
class Stated:
    """What the job says of the threshold, mJ/cm3 and percent."""

    liquid_below: float
    solid_above: float
    known_to_percent: float

    @property
    def gel(self) -> float:
        return (self.liquid_below + self.solid_above) / 2

    @property
    def interval(self) -> tuple[float, float]:
        """J of this module's formula."""
        off = self.known_to_percent / 100
        return min(self.liquid_below, self.gel * (1 - off)), max(self.solid_above, self.gel * (1 + off))


@dataclass(frozen=True)
class Allowed:
    """The thresholds that prints and job together allow, mJ/cm3.

    by   "job": its two doses as they stand, which no print contradicts; "both": what both allow; "prints": the job's
         doses are ruled out, or it states none
    """

    low: float
    high: float
    by: Literal["job", "both", "prints"]

    @property
    def closed(self) -> bool:
        return self.low > 0 and math.isfinite(self.high)


def with_job(prints: Estimate, stated: Stated) -> Allowed:
    """What the prints and the job allow together: the three cases of this module's formula."""
    if stated.liquid_below <= 0:  # any dose turns it solid: no statement that a print could confirm
        return Allowed(prints.low, prints.high, "prints")
    if prints.low <= stated.liquid_below and stated.solid_above <= prints.high:
        return Allowed(stated.liquid_below, stated.solid_above, "job")
    low, high = max(prints.low, stated.interval[0]), min(prints.high, stated.interval[1])
    if low <= high:
        return Allowed(low, high, "both")
    return Allowed(prints.low, prints.high, "prints")


def resin_values(prints: Estimate, stated: Stated) -> tuple[float, float, float] | None:
    """(liquid_below, solid_above, doses_known_to_percent) for the job, or None where what it says stands as it is.

    The interval that prints and job allow is told once: by doses_known_to_percent, which reaches from the value to its
    farther end. The value is the middle of the two doses, which lie as far apart as the job has them: how sharply the
    resin turns solid, of which prints say nothing. Where the interval is narrower than that, its ends are the two
    doses, known to FLOOR_PERCENT. So they never lie further apart than in the job. Prints that reach an end of what the
    job says, and not its gel dose, count alone: the job's interval is one of 95 %.
    """
    both = with_job(prints, stated)
    low, high = both.low, both.high
    if both.by == "both" and prints.closed and not prints.low <= stated.gel <= prints.high:
        low, high = prints.low, prints.high
    if both.by == "job":
        low, high = max(prints.low, stated.interval[0]), min(prints.high, stated.interval[1])
    if both.by == "job" and prints.low <= stated.interval[0] and stated.interval[1] <= prints.high:
        return None  # they tell nothing that the job does not say
    apart = stated.solid_above / stated.liquid_below if stated.liquid_below > 0 else math.inf
    if apart >= high / low:
        return low, high, FLOOR_PERCENT
    value = stated.gel if both.by == "job" else prints.value if prints.measured else math.sqrt(low * high)
    middle = min(max(value, low * (1 + apart) / 2), high * (1 + apart) / (2 * apart))
    percent = max(FLOOR_PERCENT, 100 * max(high - middle, middle - low) / middle)
    if both.by == "job" and percent >= stated.known_to_percent * (1 - 1e-9):
        return None
    return 2 * middle / (1 + apart), 2 * middle * apart / (1 + apart), percent
