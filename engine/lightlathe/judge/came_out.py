"""The next exposure to try, from what the last one printed."""

import math
from dataclasses import asdict, dataclass

import numpy as np
import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import JobError
from lightlathe.judge.across import Across
from lightlathe.judge.exposure_plan import LONG_S
from lightlathe.judge.seen import CameOut, read_came_out
from lightlathe.quantities import LIQUID, Part, any_in_slices
from lightlathe.support.plain import finite
from lightlathe.support.words import amount, duration

FAR = 2.0  # a larger step is not trusted: at the ends of a flat part the dose falls without a threshold
NOTHING, ALL_SOLID = "'nothing'", "'all solid'"
ANY_DOSE = " By the job (liquid_below is 0) any dose turns this resin solid"
UNLIKE = 1.1  # times beyond the job's own doses: a threshold there is questioned (no source)
LEAP = 1.5  # step where the print tells no distance: nothing came, or a block (common practice, no source)


@dataclass(frozen=True)
class NextExposure:
    """What to try next; only the exposure time changes.

    factor           next exposure over the last
    exposure_s       next exposure
    turns            whole turns as long as the last ones that come nearest to it, one at least
    gel_mj_cm3       threshold that explains what came out; NaN where nothing can be said
    reason           a sentence
    """

    factor: float
    exposure_s: float
    turns: int
    gel_mj_cm3: float
    reason: str

    def text(self) -> str:
        time = duration(self.exposure_s) if self.exposure_s >= LONG_S else f"{self.exposure_s:.1f} s"
        return f"next exposure: {time} ({self.factor:.2f} times the last)\n{self.reason}"

    def as_json(self) -> dict[str, float | int | str | None]:
        """Plain values; None where a number is undefined."""
        return finite(asdict(self))


def next_exposure(
    dose: Tensor,
    part: Part,
    exposure_s: float,
    turn_s: float,
    came_out: str | CameOut,
    *,
    stated: tuple[float, float] | None = None,
    longest_s: float = math.inf,
    scale: float = 1.0,
) -> NextExposure:
    """The exposure to try next.

    dose         (x, y, z) mJ/cm3 predicted for the exposure that was used
    scale        a factor on all of `dose`, so that a prediction for another exposure need not be copied
    came_out     what was seen, in words (`read_came_out`) or read already. A thickness is measured from side to side,
                 so that each surface is off by half of it; without a distance one voxel on each side is assumed.
    stated       the resin's two doses by the job, mJ/cm3: what comes out is held against them
    longest_s    the longest exposure that is allowed

    The surface lies where the dose met the true threshold. So the dose predicted there, in the median over all of the
    surface, is that threshold; the next exposure is the one that brings this dose to the surface wanted.
    Raises JobError for words it does not know, for a distance that leaves the part's middle, for times that are not
    above 0 and for a dose that is not finite.
    """
    has_axes("dose", dose, ("x", "y", "z"), part.grid.shape)
    for name, value in (("exposure_s", exposure_s), ("turn_s", turn_s)):
        if not (math.isfinite(value) and value > 0):
            raise JobError(f"{name} is {value}; expected a time above 0.")
    if not math.isfinite(float(dose.sum(dtype=torch.float64))):
        raise JobError("the dose holds NaN or infinity; expected finite mJ/cm3. Is the result file damaged?")
    seen = read_came_out(came_out) if isinstance(came_out, str) else came_out
    if seen.kind not in ("thin", "fat", "nothing", "all solid"):
        raise JobError(
            f"'{seen.words}' says nothing of the exposure; expected too thin, too fat, nothing or all solid."
        )
    if seen.kind in ("nothing", "all solid"):
        return _leap(seen.kind, part, exposure_s, turn_s, stated, longest_s)
    each = part.grid.voxel_mm if seen.by_mm is None else seen.by_mm / 2
    offset = -each if seen.kind == "thin" else each
    places, doses = dose_across_surface(dose, part)
    if not places[0] <= offset <= places[-1]:
        raise JobError(
            f"a surface off by {amount(each, 3)} mm on each side lies outside what this part holds "
            f"({amount(places[0], 3)} to {amount(places[-1], 3)} mm). Say "
            f"{NOTHING if seen.kind == 'thin' else ALL_SOLID} instead if that is how it looks."
        )
    wanted, met = (scale * math.exp(float(np.interp(n, places, np.log(doses)))) for n in (0.0, offset))
    factor = met / wanted
    if not 1 / FAR <= factor <= FAR:
        raise JobError(
            f"the dose falls too steeply at this part's surface to read a threshold from {amount(each, 3)} mm: it "
            f"would ask for {amount(factor, 3)} times the exposure.\n  Expose {'1.2' if factor > 1 else '0.85'} times "
            f"as long, or say {NOTHING if seen.kind == 'thin' else ALL_SOLID} if that is how it looks."
        )
    assumed = "" if seen.by_mm is not None else " (a voxel, as no distance was given)"
    reason = (
        f"{amount(each, 3)} mm {'inside' if seen.kind == 'thin' else 'outside'} the wanted surface{assumed} the "
        f"dose was {amount(met, 3)} mJ/cm3, so that seems to be this resin's threshold; the wanted surface got "
        f"{amount(wanted, 3)}."
    )
    if abs(factor - 1) < 0.02:
        reason += " The two hardly differ: time alone will not mend it. Look at focus, axis and washing."
    if stated is not None and stated[0] == 0:
        reason += f"{ANY_DOSE}; a part that came out contradicts it."
    elif stated is not None and not stated[0] / UNLIKE <= met <= stated[1] * UNLIKE:
        reason += (
            f" The job says {amount(stated[0], 3)} to {amount(stated[1], 3)}: check lamp power and doses before "
            "trusting either."
        )
    return to_try(factor, exposure_s, turn_s, met, reason, longest_s)


def _leap(
    seen: str, part: Part, exposure_s: float, turn_s: float, stated: tuple[float, float] | None, longest_s: float
) -> NextExposure:
    """What to try where nothing came out, or all of it turned solid: neither gives a distance."""
    surrounded = bool(any_in_slices(part.judged, lambda codes: codes == LIQUID).any())
    if seen == "all solid" and not surrounded:
        reason = f"'{seen}' is what this job asks for: nothing around the part is judged."
        return to_try(1.0, exposure_s, turn_s, math.nan, reason, longest_s)
    way, until = ("shorter", "gaps open") if seen == "all solid" else ("longer", "the part appears")
    then = ", then measure" if surrounded else ""
    reason = f"'{seen}' gives no distance, so this is {LEAP} times {way}: go on until {until}{then}."
    if stated is not None and stated[0] == 0:
        reason += (
            " By the job (liquid_below is 0) no exposure opens gaps: measure that dose first."
            if seen == "all solid"
            else f"{ANY_DOSE}; that nothing came out contradicts it."
        )
    return to_try(1 / LEAP if seen == "all solid" else LEAP, exposure_s, turn_s, math.nan, reason, longest_s)


def to_try(factor: float, exposure_s: float, turn_s: float, gel: float, reason: str, longest_s: float) -> NextExposure:
    """`factor` times the last exposure `exposure_s`, with the reason; says so where that is longer than allowed."""
    exposure = factor * exposure_s
    if exposure > longest_s:
        allowed = f"The longest exposure allowed is {duration(longest_s)}"
        reason += f" {allowed}: use more light, or allow more time (max_exposure_s)."
    return NextExposure(factor, exposure, max(1, round(exposure / turn_s)), gel, reason)


def dose_across_surface(dose: Tensor, part: Part) -> tuple[np.ndarray, np.ndarray]:
    """(distance mm, dose mJ/cm3): median dose against distance from the part's surface; see `Across`."""
    return Across.of(part).profile(dose)
