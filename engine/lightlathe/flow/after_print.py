"""After prints: threshold and absorption from all that came out, and the exposure to try next."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lightlathe.errors import JobError
from lightlathe.flow.prediction import predict
from lightlathe.flow.recorded import job_of
from lightlathe.judge import NextExposure, is_steady, next_exposure
from lightlathe.judge.across import Across
from lightlathe.judge.came_out import LEAP, to_try
from lightlathe.judge.estimates import Estimate, Vial, absorption_from, contradicting, next_of, threshold_from
from lightlathe.judge.evidence import Doses, doses_of
from lightlathe.judge.seen import CameOut
from lightlathe.quantities import LIQUID
from lightlathe.resins.own import absorbing
from lightlathe.result import Record
from lightlathe.support.watching import doing, step
from lightlathe.support.words import amount, count

TIMES = (0.5, 1.0, 2.0, 4.0)  # the job's absorption, at which prints are predicted for an estimate of the true one


@dataclass(frozen=True)
class AfterPrint:
    """What the prints of a result say, the last one last.

    next         the exposure to try next; None where the last print's faults are not those of exposure
    threshold    of the resin, mJ/cm3; None where the part has no surface to read one from
    absorption   1/mm; None where it was not asked for, or no print tells of it
    steady       the resin's doses do not change with the exposure time, so that prints may be put together
    """

    vials: tuple[Vial, ...]
    next: NextExposure | None
    threshold: Estimate | None
    absorption: Estimate | None
    doses: Doses | None
    steady: bool


def after_print(record: Record, vials: Sequence[Vial], *, absorption: bool = True) -> AfterPrint:
    """What prints of a record say together; vials with exposure and what was seen (judge/seen.py), the latest last.

    absorption   estimate it too, where there are two prints or more: three more predictions
    Raises JobError for exposures that are not above 0 and for what no print can be read from (`next_exposure`).
    """
    if not vials:
        raise JobError("no print was named; expected what came out of one at least.")
    for vial in vials:
        if not (math.isfinite(vial.exposure_s) and vial.exposure_s > 0):
            raise JobError(f"the exposure is {vial.exposure_s} s; expected a time above 0.")
    steady = is_steady(job_of(record).resin, record.patterns.exposure_s)
    if not bool((record.part.judged == LIQUID).any()):  # no surface to read anything from
        return AfterPrint(tuple(vials), _alone(record, vials[-1], None), None, None, None, steady)
    with doing("comparing with the predicted dose"):
        across = Across.of(record.part)
        doses = doses_of(record.prediction.dose, across, record.quality, record.patterns.exposure_s)
    for vial in vials:
        _require_readable(vial, doses)
    threshold = threshold_from(vials, doses)
    found = None
    if absorption and len(vials) > 1:
        found = absorption_from(vials, _predicted(record, across, doses))
        found = None if not found.against and found.low == 0 and math.isinf(found.high) else found
    return AfterPrint(tuple(vials), _next(record, vials, threshold, doses), threshold, found, doses, steady)


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
    for times in TIMES:
        value = times * resin.absorption_per_mm
        if times == 1.0:
            found.append((value, own))
            continue
        other = predict(record, resin=absorbing(resin, value), finer=False)
        found.append((value, doses_of(other.dose, across, other.quality, planned)))
        step()
    return found


def _next(record: Record, vials: Sequence[Vial], threshold: Estimate, doses: Doses) -> NextExposure | None:
    """From all prints where they bracket the threshold, else from the one that says most."""
    last = vials[-1]
    if contradicting(vials) or len(vials) == 1:
        return _alone(record, last, doses)
    if any(one.kind == "right" for one in last.seen):
        return _alone(record, last, doses)
    seconds = next_of(vials, threshold, doses)
    if seconds is None:
        ways = [vial for vial in vials if vial.way]
        if not ways or last.way == 0:
            return _alone(record, last, doses)
        same = [vial for vial in ways if vial.way == last.way]
        most = max(same, key=lambda vial: last.way * vial.exposure_s)
        return _alone(record, most, doses)
    job, turn_s = job_of(record), record.patterns.exposure_s / record.patterns.turns
    known = "" if math.isnan(threshold.value) else f" the threshold is {threshold.text('mJ/cm3')}; "
    reason = f"By {count(len(vials), 'print')}{known or ': '}this exposure "
    reason += "brings that dose to the wanted surface." if known else "lies between those too short and too long."
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
