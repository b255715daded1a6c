"""Prints of one result, and what they say of each other by their order alone."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

from lightlathe.judge.evidence import CORE_SOLID, OTHER_LIGHT, OVER, REPEAT, UNDER, Bound, Doses, bound_of
from lightlathe.judge.seen import CameOut
from lightlathe.support.words import amount

ELSEWHERE = ("holes closed", "top missing", "bottom missing", "liquid centre")  # beside these, right is right elsewhere


@dataclass(frozen=True)
class Vial:
    """One print: its exposure in s and all that was seen of it."""

    exposure_s: float
    seen: tuple[CameOut, ...]

    @property
    def kinds(self) -> frozenset[str]:
        return frozenset(one.kind for one in self.seen)

    @property
    def way(self) -> int:
        """1 where it got too little dose, -1 where it got too much, 0 where it does not say."""
        return 1 if self.kinds & set(UNDER) else -1 if self.kinds & set(OVER) else 0

    @property
    def right(self) -> bool:
        """Whether all of its shape was right."""
        return "right" in self.kinds and not self.kinds & set(ELSEWHERE)

    @property
    def got(self) -> int | None:
        """-1 too little dose, 0 the right one, 1 too much; None where it does not say."""
        return -self.way if self.way else 0 if self.right else None

    @property
    def of_this_light(self) -> bool:
        """Whether the doses predicted are those of this print: not where axis or sense were not the job's."""
        return not self.kinds & set(OTHER_LIGHT)

    @property
    def words(self) -> str:
        return f"{amount(self.exposure_s, 4)} s: {', '.join(one.words for one in self.seen)}"

    def bound(self, doses: Doses) -> Bound:
        """What everything seen of it says together of the threshold."""
        found = Bound()
        doses = replace(doses, by_window=doses.by_window and not self.kinds & set(ELSEWHERE))
        for one in self.seen if self.of_this_light else ():
            found = found.meet(bound_of(one, doses, self.exposure_s))
        return found


def at_odds(vial: Vial, doses: Doses | None) -> bool:
    """Whether one print got too little in one place and too much in another, so that no exposure mends both: by its
    words, or because no threshold agrees with all that was seen of it. Such a print tells of no threshold."""
    if vial.kinds & set(UNDER) and vial.kinds & set(OVER):
        return True
    if doses is None or len(vial.seen) < 2:
        return False
    bound = vial.bound(doses)
    return bound.low > REPEAT * bound.high


def centre_liquid(vial: Vial, vials: Sequence[Vial]) -> bool:
    """Whether a print's centre stayed liquid, and no print of a longer exposure had a solid one."""
    if "liquid centre" not in vial.kinds:
        return False
    longer = [other.kinds for other in vials if other.exposure_s > vial.exposure_s]
    return not any(kinds & set(CORE_SOLID) and "liquid centre" not in kinds for kinds in longer)


def telling(vials: Sequence[Vial], doses: Doses) -> int:
    """How many prints say something of the threshold."""
    return sum(vial.bound(doses) != Bound() for vial in vials)


def contradicting(vials: Sequence[Vial]) -> str:
    """Two prints of which the longer exposure got less than the shorter, whatever the resin: too little and too much,
    or either beside a right one whose exposure differs by REPEAT or more; empty where there are none."""
    for one, other in itertools.product(vials, vials):
        if one.got is None or other.got is None or one.got >= other.got:
            continue
        apart = REPEAT if 0 in (one.got, other.got) else 1.0
        if one.exposure_s >= apart * other.exposure_s:
            return f"'{one.words}' and '{other.words}' contradict each other"
    return ""
