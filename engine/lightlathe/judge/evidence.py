"""What one print says of the resin's threshold: a dose that it lies above, a dose that it lies below, or both."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lightlathe.judge.across import Across
from lightlathe.judge.seen import CameOut
from lightlathe.quantities import Volume

LEAST, MOST = 0.1, 0.9  # shares of the voxels at a distance whose doses stand for it (common practice, no source)
RIGHT = 0.75  # voxels on each side by which a right print may be off: half a one, and a quarter of Across.profile
UNDER = ("thin", "nothing")  # got too little: the threshold lies above
OVER = ("fat", "all solid", "holes closed")
CORE_SOLID = ("thin", "fat", "right", "holes closed", "all solid")  # prints whose core turned solid


@dataclass(frozen=True)
class Doses:
    """Doses of one prediction that prints are held against, mJ/cm3, at `exposure_s`.

    places    distances from the part's surface in mm, inside negative
    surface   the median dose there; `lower` and `upper`: the doses that 10 % and 90 % of the voxels there stay below
    core              median dose in the part's core, the inner voxels nearest to the axis
    half_in           dose that half of the part's voxels get (D50 of the part)
    some_out          dose that 2 % of the surroundings get (D2 of the rest); NaN where nothing is judged there
    most_out, least_in    largest dose around the part, smallest in it
    """

    exposure_s: float
    voxel_mm: float
    places: Sequence[float]
    surface: Sequence[float]
    lower: Sequence[float]
    upper: Sequence[float]
    core: float
    half_in: float
    some_out: float
    most_out: float
    least_in: float

    def at(self, offset_mm: float) -> float:
        """Median dose so far from the surface, on a logarithmic scale between shells; beyond the last that of the "
        "last."""
        return self._at(offset_mm, self.surface)

    def between(self, offset_mm: float, give_mm: float) -> tuple[float, float]:
        """The doses of the voxels within `give_mm` of that distance, but for the tenth below and the tenth above."""
        return self._at(offset_mm + give_mm, self.lower), self._at(offset_mm - give_mm, self.upper)

    def _at(self, offset_mm: float, doses: Sequence[float]) -> float:
        return math.exp(float(np.interp(offset_mm, self.places, np.log(doses))))


def doses_of(dose: Volume, across: Across, quality: dict[str, float], exposure_s: float) -> Doses:
    """The doses of a prediction (x, y, z, mJ/cm3) with its figures (judge/quality.py)."""
    return Doses(
        exposure_s=exposure_s,
        voxel_mm=across.voxel_mm,
        places=across.profile(dose)[0].tolist(),
        surface=across.profile(dose)[1].tolist(),
        lower=across.profile(dose, LEAST)[1].tolist(),
        upper=across.profile(dose, MOST)[1].tolist(),
        core=across.core_dose(dose),
        half_in=quality["D50_in_mj_cm3"],
        some_out=quality["D2_out_mj_cm3"],
        most_out=quality["window_low_mj_cm3"],
        least_in=quality["window_high_mj_cm3"],
    )


@dataclass(frozen=True)
class Bound:
    """The threshold lies between `low` and `high`, mJ/cm3. `value`: where a measured distance puts it, else NaN."""

    low: float = 0.0
    high: float = math.inf
    value: float = math.nan

    def meet(self, other: "Bound") -> "Bound":
        """What both say."""
        value = self.value if math.isnan(other.value) else other.value
        return Bound(max(self.low, other.low), min(self.high, other.high), value)


def bound_of(seen: CameOut, doses: Doses, exposure_s: float) -> Bound:
    """What one thing seen says; nothing (0 to infinity) where it says nothing of the threshold.

    too thin, too fat   the surface lies where the dose met the threshold: between the doses there, within half a unit
                        of the last digit read; without a distance, above or below those at the wanted surface
    right               the same, within RIGHT voxels on each side
    nothing             half of the part stayed liquid at least: above the dose that half of it gets
    all solid           some of the surroundings turned solid: below the dose that 2 % of them get
    holes closed        below the largest dose outside the part

    Source: a threshold lies above every dose that left the resin liquid and below every dose that turned it solid
    (bracketing; which doses stand for which words is common practice, no source).
    """
    share = exposure_s / doses.exposure_s
    if seen.kind in ("thin", "fat", "right"):
        each = 0.0 if seen.by_mm is None else seen.by_mm / 2
        give = max(RIGHT * doses.voxel_mm if seen.kind == "right" else 0.0, seen.give_mm / 2)
        offset = -each if seen.kind == "thin" else each
        low, high = (share * dose for dose in doses.between(offset, give))
        if seen.kind == "right" or seen.by_mm is not None:
            return Bound(low, high, share * doses.at(offset) if seen.by_mm is not None else math.nan)
        return Bound(low=low) if seen.kind == "thin" else Bound(high=high)
    if seen.kind == "nothing":
        return Bound(low=share * doses.half_in)
    if seen.kind == "all solid" and not math.isnan(doses.some_out):
        return Bound(high=share * doses.some_out)
    if seen.kind == "holes closed" and not math.isnan(doses.most_out):
        return Bound(high=share * doses.most_out)
    return Bound()


def core_bound(seen: CameOut, doses: Doses, exposure_s: float) -> Bound:
    """What one thing seen says of the core: this is what tells of the absorption.

    A print with a body has a solid core: below the dose there. A liquid centre in a solid skin: above the dose in the
    core, below that of the skin, a voxel deep.
    """
    share = exposure_s / doses.exposure_s
    if seen.kind == "liquid centre":
        return Bound(share * doses.core, share * doses.at(-doses.voxel_mm))
    return Bound(high=share * doses.core) if seen.kind in CORE_SOLID else Bound()
