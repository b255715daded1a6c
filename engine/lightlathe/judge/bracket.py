"""A bracketing series of vials for a resin whose threshold is not well known, or why there is none."""

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from lightlathe.errors import JobError
from lightlathe.judge.exposure_plan import LONG_S, ExposurePlan
from lightlathe.judge.turning import FAST_TURN_S, VIDEO_RATE
from lightlathe.support.words import amount, duration

MAX_VIALS = 9
REL_TOLERANCE = 1e-9  # relative; rounding
SHORTEST = 0.02  # of a turn: a series with finer steps has no margin, and no stage turns that much faster
MANY = 999  # vials: longer series are not counted


@dataclass(frozen=True)
class Series:
    """Exposures that together print right whatever the resin is, within its uncertainty.

    exposures_s   in whole turns at the plan's dimming, shortest first; empty where there is none
    known         the uncertainty that it covers, in words
    planned       the plan's own exposure is all it takes
    other_turn_s  a turn time with which there is a series, whether or not stage and projector keep up; NaN where none
                  is needed
    other_s       that series; empty where turns are too fast for the stage or the projector, or exposures too long
    dimmer_s      the same turns at the plan's own speed, under a lamp dimmer by other_turn_s / turn_s; empty where they
                  are too long, or the resin's doses change with the time
    why           what stands in the way where there is no series
    """

    exposures_s: tuple[float, ...]
    known: str
    turn_s: float
    planned: bool = False
    other_turn_s: float = math.nan
    other_s: tuple[float, ...] = ()
    dimmer_s: tuple[float, ...] = ()
    why: str = ""

    def text(self) -> str:
        """A sentence: how many vials and which exposures, or what stands in the way."""
        if self.planned:
            return f"one vial is enough for {self.known}: this exposure"
        if self.exposures_s:
            times = f"{_times(self.exposures_s)} with the same levels"
            if len(self.exposures_s) == 1:
                return f"one vial is enough for {self.known}: {times}"
            return f"{len(self.exposures_s)} vials for {self.known}: {times}; one of them is right"
        none, turn = f"no bracketing series for {self.known}", f"turns of {amount(self.turn_s, 3)} s"
        other = self.other_s or self.dimmer_s
        if not other:
            return f"{none}{'' if math.isnan(self.other_turn_s) else f' in {turn}'}: {self.why}"
        vials = "one vial" if len(other) == 1 else f"{len(other)} vials"
        lamp = f"a lamp at {amount(100 * self.other_turn_s / self.turn_s, 3)} % of its light"
        none = f"{none} in {turn}: the step is too long."
        if not self.other_s:
            return f"{none} With {lamp} {vials} would do: {_times(other)} with the same levels"
        also = f"; or as many {turn} with {lamp}" if self.dimmer_s else ""
        return (
            f"{none} In turns of {amount(self.other_turn_s, 3)} s {vials} would do: {_times(other)} with the same "
            f"levels{also}"
        )


def _times(exposures_s: Sequence[float]) -> str:
    if max(exposures_s) >= LONG_S:
        return ", ".join(duration(seconds, 4) for seconds in exposures_s)
    return ", ".join(amount(seconds, 4) for seconds in exposures_s) + " s"


def bracket(
    plan: ExposurePlan,
    doses_known_to_percent: float,
    windows: Sequence[tuple[float, float]] = (),
    *,
    known: str = "",
    images: int = 0,
    longest_s: float = math.inf,
    steady: bool = True,
    safe_dose: bool = True,
) -> Series:
    """The fewest vials in whole turns that print right whatever the true resin is.

    doses_known_to_percent   the threshold lies within that of the plan's gel dose
    windows   (max dose outside, min inside) in mJ/cm3 at the plan's exposure, one pair for each absorption that the
              resin may have; the plan's own comes with them. NaN outside: nothing is there
    known     what is covered, in words
    images    of a turn: no turn is so short that they pass faster than a video projector shows them
    longest_s the longest exposure that is allowed
    steady    the resin's doses do not change with the time over which the dose comes
    safe_dose some dose leaves the resin liquid

    An exposure is right for the thresholds between its dose outside and its dose inside; what one leaves over, the next
    longer one starts with. Raises JobError unless 0 <= doses_known_to_percent < 100.
    """
    if not 0 <= doses_known_to_percent < 100:
        raise JobError(f"the threshold is known to {doses_known_to_percent} %; expected a number from 0, below 100.")
    known = known or f"a threshold known to {amount(doses_known_to_percent)} %"
    plan_window = plan.low_mj_cm3, plan.high_mj_cm3
    low, high = (plan.gel_mj_cm3 * (1 + sign * doses_known_to_percent / 100) for sign in (-1, 1))
    pairs = [(0.0 if math.isnan(out) else out, inside) for out, inside in (plan_window, *windows)]
    rates = [(out / plan.exposure_s, inside / plan.exposure_s) for out, inside in pairs]
    longest_s = longest_s if plan.reachable else min(longest_s, plan.exposure_s)
    series = functools.partial(Series, known=known, turn_s=plan.turn_s)
    if not safe_dose:
        return series((), why="liquid_below is 0, so any dose turns this resin solid")
    if math.isnan(plan.shortest_s) or not pairs[0][1] > pairs[0][0]:
        return series((), why="no exposure is right, whatever the threshold")
    if not all(inside > out for out, inside in pairs):
        return series((), why="for some of these absorptions no exposure is right")
    if all(out <= low * (1 + REL_TOLERANCE) and inside >= high * (1 - REL_TOLERANCE) for out, inside in pairs):
        return series((plan.exposure_s,), planned=True)
    if not steady:
        return series((), why="the doses that this resin needs change with the time over which they come")
    found = _cover(rates, low, high, plan.turn_s, MAX_VIALS)
    if found and max(found) > longest_s * (1 + REL_TOLERANCE):
        return series((), why=_too_long(found, longest_s))
    if found:
        return series(found)
    vials = len(_cover(rates, low, high, 0.0, MANY + 1)) or MANY + 1
    turn_s = plan.turn_s
    while vials <= MAX_VIALS and not found and turn_s > SHORTEST * plan.turn_s:
        turn_s = float(f"{0.98 * turn_s:.2e}")  # as it is said
        found = _cover(rates, low, high, turn_s, MAX_VIALS)
    if not found:
        many = f"{vials} vials" if vials <= MANY else f"more than {MANY} vials"
        why = f"it would take {many} in fine steps of time; measure the resin more closely first"
        return series((), why=why)
    dimmer = tuple(round(seconds / turn_s) * plan.turn_s for seconds in found)
    long, fast = max(found) > longest_s * (1 + REL_TOLERANCE), _too_fast(turn_s, images)
    return series(
        (),
        other_turn_s=turn_s,
        other_s=() if long or fast else found,
        dimmer_s=dimmer if max(dimmer) <= longest_s * (1 + REL_TOLERANCE) else (),
        why=f"the step is too long, and {_too_long(found, longest_s) if long else fast}",
    )


def _too_long(exposures_s: Sequence[float], longest_s: float) -> str:
    longest = duration(max(exposures_s))
    return f"it would take exposures of up to {longest}, where {duration(longest_s)} is the longest allowed"


def _too_fast(turn_s: float, images: int) -> str:
    """Why no turn is so fast; empty where one may be."""
    turns = f"it would take turns of {amount(turn_s, 3)} s"
    if turn_s < FAST_TURN_S:
        return f"{turns}, which stir the resin"
    if images / turn_s > VIDEO_RATE:
        return f"{turns}, {images / turn_s:.0f} images a second where many projectors show {VIDEO_RATE:g}"
    return ""


def _cover(
    rates: Sequence[tuple[float, float]], low: float, high: float, turn_s: float, max_vials: int
) -> tuple[float, ...]:
    """Exposures, each as long as leaves no threshold out, until all up to `high` are covered for every pair of rates.

    turn_s   they are whole multiples of it; 0: any. Empty if a step is too long or more than `max_vials` are needed.
    """
    reach = [min(low, high * (1 - 2 * REL_TOLERANCE))] * len(rates)  # a threshold known exactly is one to cover too
    series: list[float] = []
    while len(series) < max_vials:
        left = [r / out if out > 0 else math.inf for r, (out, _) in zip(reach, rates, strict=True) if r < high]
        longest = min(left, default=0.0)
        if math.isinf(longest):  # no light falls outside: any exposure that is long enough
            longest = max(high / inside for _, inside in rates)
            longest = math.ceil(longest / turn_s - REL_TOLERANCE) * turn_s if turn_s else longest
        elif turn_s:
            longest = math.floor(longest / turn_s + REL_TOLERANCE) * turn_s
        enough = max((high / inside for r, (_, inside) in zip(reach, rates, strict=True) if r < high), default=0.0)
        enough = math.ceil(enough / turn_s - REL_TOLERANCE) * turn_s if turn_s else enough
        longest = min(longest, enough)  # the last need not leave off at a threshold
        further = [max(r, longest * inside) for r, (_, inside) in zip(reach, rates, strict=True)]
        if not longest > 0 or all(b <= a * (1 + REL_TOLERANCE) for a, b in zip(reach, further, strict=True)):
            return ()
        series.append(longest)
        reach = further
        if all(r >= high * (1 - REL_TOLERANCE) for r in reach):
            return tuple(series)
    return ()
