"""What one print says of the resin's threshold: a dose that it lies above, a dose that it lies below, or both.

Every word is an interval of the threshold T, in mJ/cm3, from the doses that are predicted for the exposure t of that
print. With m the largest dose where the resin had to stay liquid, l the smallest where it had to turn solid (both grow
with t), and d(x) the dose x mm outside the wanted surface:

    right              m / REPEAT <= T <= l REPEAT: the window of the summary, within which every voxel comes out
                       right, and a little beyond: a voxel or two that miss by less than lamps keep are overlooked
    too thin           T > l: some of the part stayed liquid
    too fat            T < m: some of the rest turned solid
    holes closed       T < m
    thin, fat by 2 x   d2(x + give) <= T <= d98(x - give), x below 0 for thin: the surface lies where the dose met T
                       with a window also T > l or T < m where x is more than RIGHT voxels, so that some voxel came out
                       wrong; T > m for thin and T < l for fat where it is more than PLACED
    nothing            T > D50 of the part: half of it stayed liquid at least
    all solid          T < D2 of the rest: 2 % of it turned solid at least
    soft               T < D2 of the part: it has a body
    the rest           no interval: they are of the axis, the frames, the resin's flow, the place of the light

So right, too thin and too fat part all thresholds between them, but for REPEAT. Where a design has no window
(m >= l), no print has every voxel right; then right means a surface within RIGHT voxels of the wanted one, too thin
T > d2(0), too fat T < d98(0). d2 and d98 are the doses that 2 % and 98 % of the voxels at that distance stay below;
give is half of half a unit of the last digit that was read, as each side has half of the size, and PLACED voxels.

Prints are put together by intersection (judge/threshold.py): every T that contradicts none of them.

Source: a threshold lies above every dose that left the resin liquid and below every dose that turned it solid
(bracketing); which doses stand for which words is common practice, no source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lightlathe.judge.across import Across
from lightlathe.judge.outcome import MARGIN_PERCENT
from lightlathe.judge.seen import CameOut
from lightlathe.quantities import Volume

REPEAT = 1 + MARGIN_PERCENT / 100  # what lamps and timers keep, as a factor on doses
NOTHING_MJ_CM3 = 1e-3  # the dose of voxels that no light reaches: no end of an interval
LEAST, MOST = 0.02, 0.98  # of the voxels at a distance: their extremes, as D98 and D2 stand for those of a region
PLACED = 0.25  # voxels by which a distance from the surface may be off (Across.profile)
RIGHT = 0.75  # voxels on each side by which a right print may be off: half a one, and a quarter of Across.profile
FAR = 2.0  # times the dose at the wanted surface: further off, the dose falls without telling a threshold (no source)
UNDER = ("thin", "nothing")  # got too little: the threshold lies above
OVER = ("fat", "all solid", "holes closed")
CORE_SOLID = ("thin", "fat", "right", "holes closed", "all solid")  # prints whose core turned solid
OTHER_LIGHT = ("doubled edges", "mirrored")  # axis or sense are not the job's: nor are the doses of such a print


@dataclass(frozen=True)
class Doses:
    """Doses of one prediction that prints are held against, mJ/cm3, at `exposure_s`.

    places    distances from the part's surface in mm, inside negative
    surface   the median dose there; `lower` and `upper`: the doses that 2 % and 98 % of the voxels there stay below
    core              median dose in the part's core, the inner voxels nearest to the axis
    some_in           dose that 2 % of them get (D2 of the part)
    half_in           dose that half of the part's voxels get (D50 of the part)
    some_out          dose that 2 % of the surroundings get (D2 of the rest); NaN where nothing is judged there
    most_out, least_in    largest dose around the part, smallest in it: the summary's window
    by_window   right, too thin and too fat go by that window, where there is one; else by the surface
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
    some_in: float = math.nan
    by_window: bool = True

    @property
    def has_window(self) -> bool:
        """Whether some threshold prints every voxel right."""
        return 0 <= self.most_out < self.least_in

    @property
    def right(self) -> tuple[float, float]:
        """The thresholds for which a print at `exposure_s` is right."""
        if self.by_window and self.has_window:
            return self.most_out, self.least_in
        return self.between(0.0, RIGHT * self.voxel_mm)

    @property
    def thin_above(self) -> float:
        return self.least_in if self.by_window and self.has_window else self._at(0.0, self.lower)

    @property
    def fat_below(self) -> float:
        return self.most_out if self.by_window and self.has_window else self._at(0.0, self.upper)

    def at(self, offset_mm: float) -> float:
        """Median dose so far from the surface, on a logarithmic scale between shells; beyond the last that of the
        last."""
        return self._at(offset_mm, self.surface)

    def between(self, offset_mm: float, give_mm: float) -> tuple[float, float]:
        """The doses of the voxels within `give_mm` of that distance, but for 2 % below and 2 % above."""
        return self._at(offset_mm + give_mm, self.lower), self._at(offset_mm - give_mm, self.upper)

    def _at(self, offset_mm: float, doses: Sequence[float]) -> float:
        return math.exp(float(np.interp(offset_mm, self.places, np.log(doses))))


def doses_of(
    dose: Volume, across: Across, quality: dict[str, float], exposure_s: float, *, by_window: bool = True
) -> Doses:
    """The doses of a prediction (x, y, z, mJ/cm3) with its figures (judge/quality.py)."""
    return Doses(
        exposure_s=exposure_s,
        voxel_mm=across.voxel_mm,
        places=across.profile(dose)[0].tolist(),
        surface=across.profile(dose)[1].tolist(),
        lower=across.profile(dose, LEAST)[1].tolist(),
        upper=across.profile(dose, MOST)[1].tolist(),
        core=across.core_dose(dose),
        some_in=quality["D2_in_mj_cm3"],
        half_in=quality["D50_in_mj_cm3"],
        some_out=quality["D2_out_mj_cm3"],
        most_out=quality["window_low_mj_cm3"],
        least_in=quality["window_high_mj_cm3"],
        by_window=by_window,
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
    """What one thing seen says, by the table above; nothing (0 to infinity) where it says nothing of the threshold."""
    share = exposure_s / doses.exposure_s
    if seen.kind == "right":
        low, high = doses.right
        if seen.give_mm / 2 > RIGHT * doses.voxel_mm:  # read so coarsely that more than the window looks right
            low, high = (
                pick(a, b)
                for pick, a, b in zip((min, max), doses.between(0.0, seen.give_mm / 2), (low, high), strict=True)
            )
        return Bound(share * low / REPEAT, share * high * REPEAT)
    if seen.kind in ("thin", "fat") and seen.by_mm is not None:
        return _measured(seen, doses, share)
    above = {"thin": doses.thin_above, "nothing": doses.half_in}
    below = {"fat": doses.fat_below, "all solid": doses.some_out, "holes closed": doses.most_out, "soft": doses.some_in}
    if seen.kind in above:
        return Bound(low=share * above[seen.kind])
    if seen.kind in below and not math.isnan(below[seen.kind]):
        return Bound(high=share * below[seen.kind])
    return Bound()


def _measured(seen: CameOut, doses: Doses, share: float) -> Bound:
    """A measured size; without a value where it lies so far off that the dose there is no threshold."""
    assert seen.by_mm is not None
    offset = (-1 if seen.kind == "thin" else 1) * seen.by_mm / 2
    low, high = (share * dose for dose in doses.between(offset, seen.give_mm / 2 + PLACED * doses.voxel_mm))
    far = abs(offset) > RIGHT * doses.voxel_mm  # then some voxel came out wrong
    if far or (doses.by_window and doses.has_window and abs(offset) > PLACED * doses.voxel_mm):
        above, below = (doses.thin_above, doses.fat_below) if far else doses.right
        low = max(low, share * above) if seen.kind == "thin" else low
        high = min(high, share * below) if seen.kind == "fat" else high
    value, wanted = doses.at(offset), doses.at(0.0)
    near = wanted / FAR <= value <= wanted * FAR
    return Bound(low, high, share * value if near else math.nan)


def core_bound(seen: CameOut, doses: Doses, exposure_s: float) -> Bound:
    """What one thing seen says of the core: this is what tells of the absorption.

    A print with a body has a solid core: below the dose there. A liquid centre in a solid skin: above the dose in the
    core, below that of the skin, a voxel deep.
    """
    share = exposure_s / doses.exposure_s
    if seen.kind == "liquid centre":
        return Bound(share * doses.core, share * doses.at(-doses.voxel_mm))
    unmeasured = seen.kind == "thin" and seen.by_mm is None  # how thin? It may have no core
    return Bound(high=share * doses.core) if seen.kind in CORE_SOLID and not unmeasured else Bound()
