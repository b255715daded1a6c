"""After prints: threshold and absorption from all that came out, and the exposure to try next."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from lightlathe.errors import JobError
from lightlathe.flow.prediction import predict
from lightlathe.flow.recorded import job_of
from lightlathe.judge import NextExposure, is_steady, next_exposure
from lightlathe.judge.across import Across
from lightlathe.judge.came_out import LEAP, to_try
from lightlathe.judge.estimates import (
    Estimate,
    Vial,
    absorption_from,
    at_odds,
    centre_liquid,
    contradicting,
    next_of,
    telling,
    threshold_from,
)
from lightlathe.judge.evidence import Doses, doses_of
from lightlathe.judge.gaps import has_gaps
from lightlathe.judge.seen import CameOut
from lightlathe.quantities import LIQUID, any_in_slices
from lightlathe.resins.own import absorbing
from lightlathe.result import Record
from lightlathe.support.watching import case, doing, step
from lightlathe.support.words import amount, count

IN_THE_FRAMES = ("mirrored", "upside down", "doubled edges")  # mended by other frames alone
TIMES = (0.5, 1.0, 2.0, 4.0)  # the job's absorption, at which prints are predicted for an estimate of the true one


@dataclass(frozen=True)
class AfterPrint:
    """What the prints of a result say, the last one last.

    next           the exposure to try next; None where it is withheld, and where no print asks for one
    threshold      of the resin, mJ/cm3; None where the part has no surface to read one from, and where the absorption
                   that the doses rest on is ruled out
    absorption     1/mm; None where it was not asked for, or no print tells of it
    steady         the resin's doses do not change with the exposure time, so that prints may be put together
    named          how many of the latest prints are new; all of them where only kept ones are looked at
    contradiction  prints that cannot all be true, in words; empty where there are none. Nothing is advised then
    withheld       why no exposure is given where a print asks for another; empty where one is given, or none asks
    """

    vials: tuple[Vial, ...]
    next: NextExposure | None
    threshold: Estimate | None
    absorption: Estimate | None
    doses: Doses | None
    steady: bool
    named: int
    contradiction: str = ""
    withheld: str = ""

    @property
    def told(self) -> int:
        """How many prints tell of the threshold."""
        if self.doses is None:
            return 0
        return telling([vial for vial in self.vials if not at_odds(vial, self.doses)], self.doses)

    @property
    def new(self) -> tuple[Vial, ...]:
        return self.vials[len(self.vials) - self.named :]


def after_print(
    record: Record, vials: Sequence[Vial], *, absorption: bool = True, named: int | None = None
) -> AfterPrint:
    """What prints of a record say together; vials with exposure and what was seen (judge/seen.py), the latest last.

    absorption   estimate it too, where there are two prints or more: three more predictions
    named        how many of the latest prints are new (AfterPrint); all of them without it
    Raises JobError for exposures that are not above 0 and for what no print can be read from (`next_exposure`).
    """
    if not vials:
        raise JobError("no print was named; expected what came out of one at least.")
    for vial in vials:
        if not (math.isfinite(vial.exposure_s) and vial.exposure_s > 0):
            raise JobError(f"the exposure is {vial.exposure_s:g} s; expected a time above 0.")
    _require_gaps(record, vials)
    steady = is_steady(job_of(record).resin, record.patterns.exposure_s)
    doses, threshold, found = None, None, None
    surrounded = any_in_slices(record.part.judged, lambda codes: codes == LIQUID)
    if bool(surrounded.any()):  # else there is no surface to read anything from
        with doing("comparing with the predicted dose"):
            across = Across.of(record.part)
            doses = doses_of(record.prediction.dose, across, record.quality, record.patterns.exposure_s)
        for vial in vials:
            _require_readable(vial, doses)
        agreeing = [vial for vial in vials if not at_odds(vial, doses)]
        threshold = threshold_from(agreeing, doses)
        if absorption and len(agreeing) > 1:
            found = absorption_from(agreeing, _predicted(record, across, doses))
            found = None if not found.against and found.low == 0 and math.isinf(found.high) else found
    said = AfterPrint(tuple(vials), None, threshold, found, doses, steady, len(vials) if named is None else named)
    return _advised(record, said)


def _advised(record: Record, said: AfterPrint) -> AfterPrint:
    """With the exposure to try next, or with the reason why there is none."""
    agreeing = [vial for vial in said.vials if not at_odds(vial, said.doses)]
    stated = job_of(record).resin.absorption_per_mm
    together = said.steady or len({vial.exposure_s for vial in agreeing}) < 2  # prints that share one threshold
    ruled_out = together and said.absorption is not None and said.absorption.rules_out(stated)
    against = contradicting(agreeing)
    if together and not ruled_out:
        of_threshold = "" if said.threshold is None else said.threshold.against
        of_absorption = "" if said.absorption is None else said.absorption.against
        against = f"no one dose fits all prints: {of_threshold}" if of_threshold else against or of_absorption
    if against:
        return replace(said, contradiction=against)
    right = any(one.kind == "right" for one in said.vials[-1].seen) and said.vials[-1] in agreeing
    why = _of_the_frames(said) or ("" if right else _withheld(said, stated, ruled_out))
    following = None if why else _next(record, agreeing, said.threshold, said.doses)
    return replace(said, next=following, threshold=None if ruled_out else said.threshold, withheld=why)


def _of_the_frames(said: AfterPrint) -> str:
    """Why no exposure of these frames can be advised: what a new print has is wrong at every exposure."""
    seen = {one.kind: one.words for vial in said.new for one in vial.seen if one.kind in IN_THE_FRAMES}
    if not seen:
        return ""
    return (
        f"{', '.join(seen.values())} at any exposure of these frames. Mend that as said above and design again: the "
        "new design plans its own exposure"
    )


def _withheld(said: AfterPrint, stated: float, ruled_out: bool) -> str:
    """Why no exposure can be advised; empty where one can."""
    if ruled_out and said.absorption is not None:
        found = said.absorption
        value = f"absorption_per_mm = {amount(found.value, 3)}" if found.closed else "the absorption measured"
        return (
            f"the doses rest on the {amount(stated, 3)} 1/mm that the job says, which these prints rule out. Design "
            f"again with {value} (lightlathe resin measures it), print, and say what comes out of that"
        )
    if any(at_odds(vial, said.doses) for vial in said.new):
        return "none mends too little in one place and too much in another"
    if any(vial.way for vial in said.vials) and any(centre_liquid(vial, said.vials) for vial in said.vials):
        return "the liquid centre has to be mended first"
    return ""


def _require_gaps(record: Record, vials: Sequence[Vial]) -> None:
    """JobError where holes are said to have closed in a part that has none."""
    part = record.part
    closed = [vial for vial in vials if any(one.kind == "holes closed" for one in vial.seen)]
    if closed and not has_gaps(part.judged if part.whole is None else part.whole):
        raise JobError(
            f"'{closed[0].words}': this part has no hole, channel or gap that could close; expected what came out of "
            "it. Say 'too fat', with 'by 0.1 mm' if it was measured, or 'all solid'."
        )


def _require_readable(vial: Vial, doses: Doses) -> None:
    """JobError for a distance that leaves the part's middle or its surroundings."""
    for one in vial.seen:
        each = None if one.by_mm is None or one.kind not in ("thin", "fat") else one.by_mm / 2
        if each is None:
            continue
        if not doses.places[0] <= (-each if one.kind == "thin" else each) <= doses.places[-1]:
            raise JobError(
                f"'{vial.words}': a surface off by {amount(each, 3)} mm on each side lies outside what this part holds "
                f"({amount(doses.places[0], 3)} to {amount(doses.places[-1], 3)} mm). Say "
                f"'{'nothing' if one.kind == 'thin' else 'all solid'}' instead if that is how it looks."
            )


@doing("predicting other absorptions", of=len(TIMES) - 1)
def _predicted(record: Record, across: Across, own: Doses) -> list[tuple[float, Doses]]:
    """(absorption, doses of the same patterns) at TIMES the job's."""
    resin, planned, found = job_of(record).resin, record.patterns.exposure_s, []
    number = 0
    for times in TIMES:
        value = times * resin.absorption_per_mm
        if times == 1.0:
            found.append((value, own))
            continue
        number += 1
        with case(number, len(TIMES) - 1):
            other = predict(record, resin=absorbing(resin, value), finer=False)
        found.append((value, doses_of(other.dose, across, other.quality, planned)))
        step()
    return found


def _next(
    record: Record, vials: Sequence[Vial], threshold: Estimate | None, doses: Doses | None
) -> NextExposure | None:
    """From all prints where they bracket the threshold, else from the one that says most; None where none asks."""
    asking = [vial for vial in vials if vial.way or any(one.kind == "right" for one in vial.seen)]
    if not asking:
        return None
    last = asking[-1]
    if len(asking) == 1 or any(one.kind == "right" for one in last.seen) or threshold is None or doses is None:
        return _alone(record, last, doses)
    seconds = next_of(asking, threshold, doses)
    if seconds is None:
        same = [vial for vial in asking if vial.way == last.way]
        most = max(same, key=lambda vial: last.way * vial.exposure_s)
        return _alone(record, most, doses)
    job, turn_s = job_of(record), record.patterns.exposure_s / record.patterns.turns
    if math.isnan(threshold.value) or threshold.against:
        prints = count(sum(vial.way != 0 for vial in asking), "print")
        reason = f"By {prints}: this exposure lies between those too short and too long."
    else:
        reason = (
            f"By {count(telling(vials, doses), 'print')} the threshold is {threshold.text('mJ/cm3')}; this exposure "
            "brings that dose to the wanted surface."
        )
    return to_try(seconds / last.exposure_s, last.exposure_s, turn_s, threshold.value, reason, job.turn.longest_s)


def _alone(record: Record, vial: Vial, doses: Doses | None) -> NextExposure | None:
    """From one print alone."""
    job, turn_s = job_of(record), record.patterns.exposure_s / record.patterns.turns
    used, longest = vial.exposure_s, job.turn.longest_s
    resin = job.resin.at(used)
    stated = (resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3)
    kinds = {one.kind: one for one in vial.seen}
    direct = next((kinds[kind] for kind in ("thin", "fat", "nothing", "all solid") if kind in kinds), None)
    if direct is not None:
        scale = used / record.patterns.exposure_s
        dose, part = record.prediction.dose, record.part
        return next_exposure(dose, part, used, turn_s, direct, stated=stated, longest_s=longest, scale=scale)
    if "holes closed" in kinds and doses is not None:
        return _narrower(doses, used, turn_s, longest)
    if "right" in kinds:
        return to_try(1.0, used, turn_s, math.nan, "It came out right: keep it.", longest)
    return None


def _narrower(doses: Doses, used: float, turn_s: float, longest: float) -> NextExposure:
    """The exposure that puts the middle of the window where the largest dose around the part was."""
    out, inside = (used / doses.exposure_s * dose for dose in (doses.most_out, doses.least_in))
    factor = math.sqrt(out / inside) if 0 < out < inside else 1 / LEAP
    reason = (
        f"Holes closed, so the threshold lies below the {amount(out, 3)} mJ/cm3 that the most exposed place around the "
        f"part got; this exposure gives that place {amount(factor * out, 3)} and the weakest of the part "
        f"{amount(factor * inside, 3)}."
        if 0 < out < inside
        else f"The prediction has no window, so this is {LEAP} times shorter: go on until the holes open, then measure."
    )
    return to_try(factor, used, turn_s, math.nan, reason, longest)


def vial_of(record: Record, seen: tuple[CameOut, ...], exposure_s: float | None) -> Vial:
    """A print with the planned exposure where none is named."""
    return Vial(record.patterns.exposure_s if exposure_s is None else exposure_s, seen)
