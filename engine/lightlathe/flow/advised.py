"""The exposure to try next of a result, from all its prints; or why none is advised."""

import math
from collections.abc import Sequence

from lightlathe.flow.ends import end_of
from lightlathe.flow.recorded import job_of
from lightlathe.judge.evidence import Doses
from lightlathe.judge.next_exposure import (
    LEAP,
    LEAPS,
    STEP,
    NextExposure,
    beside,
    described,
    longest_safe,
    onto_threshold,
    safe_exposures,
    seconds,
    shortest_safe,
    to_try,
)
from lightlathe.judge.threshold import REPEAT, Allowed, Estimate
from lightlathe.judge.vials import Vial, telling
from lightlathe.result import Record
from lightlathe.support.words import amount, count

UNKNOWN = "these prints do not tell yet between which doses the threshold lies"
ANY_DOSE = " By the job (liquid_below is 0) any dose turns this resin solid"
Advice = tuple[NextExposure | None, str]  # the exposure, or why there is none


def advised(
    record: Record, vials: Sequence[Vial], prints: Estimate | None, allowed: Allowed | None, doses: Doses | None
) -> Advice:
    """What to try after the last of these prints, which contradict each other in nothing."""
    last = vials[-1]
    if last.way and doses is not None and prints is not None and allowed is not None:
        return _after_too_much_or_too_little(record, vials, prints, allowed, doses)
    if last.way:
        return _leap(record, vials), ""
    if last.right:
        return _kept(record, vials, allowed, doses), ""
    if doses is None or allowed is None:
        if "soft" not in last.kinds:
            return None, ""
        reason = "Nothing around the part is judged, so this is a step: go on until it is hard."
        return _try(record, last, STEP * last.exposure_s, math.nan, reason), ""
    for kind, rule in RULES.items():
        if kind in last.kinds:
            return rule(record, last, kind, allowed, doses)
    return None, ""


def _try(record: Record, last: Vial, exposure_s: float, gel: float, reason: str) -> NextExposure:
    turn_s = record.patterns.exposure_s / record.patterns.turns
    return to_try(exposure_s / last.exposure_s, last.exposure_s, turn_s, gel, reason, job_of(record).turn.longest_s)


def planned_dose(record: Record, doses: Doses) -> float:
    """The threshold that the planned exposure is right for, mJ/cm3: the plan's own, else the middle of the window, or
    the dose at the wanted surface where there is none."""
    q = record.quality
    gel = q.get("gel_mj_cm3", math.nan)
    planned = bool(q.get("reachable", 0.0)) and not math.isnan(gel) and "wanted_dose_rms" not in q
    if doses.has_window:
        if planned and doses.most_out <= gel <= doses.least_in:
            return gel
        return math.sqrt(doses.most_out * doses.least_in) if doses.most_out > 0 else doses.least_in / 2
    return gel if planned and gel > 0 else doses.at(0.0)


def _kept(record: Record, vials: Sequence[Vial], allowed: Allowed | None, doses: Doses | None) -> NextExposure:
    last, reason = vials[-1], "It came out right: keep it."
    safe = None if allowed is None or doses is None else beside(safe_exposures(allowed, doses), vials)
    if allowed is not None and safe is not None:
        reason += f" {described(allowed, safe)}"
        too_short, too_long = last.exposure_s < safe[0] * REPEAT, last.exposure_s > safe[1] / REPEAT
        if too_short != too_long:  # both: there is no more room
            way = "longer" if too_short else "shorter"
            reason += f" This one lies at its end or beyond: a little {way} has more room on either side."
    return _try(record, last, last.exposure_s, math.nan, reason)


def _leap(record: Record, vials: Sequence[Vial]) -> NextExposure:
    """Where the part has no surroundings to read a threshold from."""
    last = vials[-1]
    step = LEAP if last.kinds & set(LEAPS) else STEP
    if last.way < 0 and "all solid" in last.kinds:
        reason = "'all solid' is what this job asks for: nothing around the part is judged."
        return _try(record, last, last.exposure_s, math.nan, reason)
    short = max((vial.exposure_s for vial in vials if vial.way > 0), default=math.nan)
    long = min((vial.exposure_s for vial in vials if vial.way < 0), default=math.nan)
    if short < long:
        reason = f"By {count(len(vials), 'print')}: this exposure lies between those too short and too long."
        return _try(record, last, math.sqrt(short * long), math.nan, reason)
    way = "longer" if last.way > 0 else "shorter"
    until = "the part appears" if "nothing" in last.kinds else "it comes out right"
    reason = f"Nothing around the part is judged, so this is {step} times {way}: go on until {until}."
    if job_of(record).resin.liquid_below_mj_cm3 == 0 and "nothing" in last.kinds:
        reason += f"{ANY_DOSE}; that nothing came out contradicts it."
    return _try(record, last, last.exposure_s * (step if last.way > 0 else 1 / step), math.nan, reason)


def _after_too_much_or_too_little(
    record: Record, vials: Sequence[Vial], prints: Estimate, allowed: Allowed, doses: Doses
) -> Advice:
    last = vials[-1]
    found = onto_threshold(vials, prints, allowed, doses, planned_dose(record, doses))
    if found is None:
        return None, "the longest exposure that was too short is as long as the shortest that was too long"
    exposure, gel, guess = found
    told = count(telling(vials, doses), "print")
    if guess:
        reason = _guessed(vials, exposure, told)
    elif prints.measured:
        reason = (
            f"By {told} the threshold is {prints.text('mJ/cm3')}; this exposure brings that dose to the wanted surface"
        )
        reason += f"; if it is {amount(gel, 3)}, every voxel comes out right." if doses.has_window else "."
    else:
        reason = described(allowed, beside(safe_exposures(allowed, doses), vials))
    if allowed.by == "prints" and job_of(record).resin.liquid_below_mj_cm3 == 0:
        came = "nothing came out" if "nothing" in last.kinds else "it came out so"
        gaps = " By the job (liquid_below is 0) no exposure opens gaps: measure that dose first."
        reason += gaps if "all solid" in last.kinds else f"{ANY_DOSE}; that {came} contradicts it."
    if max(exposure / last.exposure_s, last.exposure_s / exposure) < REPEAT:
        reason += (
            f" It differs from the last by less than {100 * (REPEAT - 1):.0f} %: time alone will hardly mend this. "
            "Look at focus, axis and washing."
        )
    return _try(record, last, exposure, gel, reason), ""


def _guessed(vials: Sequence[Vial], exposure_s: float, told: str) -> str:
    last = vials[-1]
    ways = {vial.way for vial in vials}
    if {1, -1} <= ways:
        return f"By {told}: this exposure lies between those too short and too long."
    way = "longer" if last.way > 0 else "shorter"
    until = {"nothing": "the part appears", "all solid": "gaps open", "holes closed": "the holes open"}
    then = next((words for kind, words in until.items() if kind in last.kinds), "it comes out right")
    times = max(exposure_s / last.exposure_s, last.exposure_s / exposure_s)
    words = ", ".join(one.words for one in last.seen if one.kind in (*until, "thin", "fat"))
    return f"'{words}' gives no distance, so this is {amount(times, 3)} times {way}: go on until {then}, then measure."


def _soft(record: Record, last: Vial, kind: str, allowed: Allowed, doses: Doses) -> Advice:
    if not allowed.low > 0:
        reason = "No print tells yet how long is too long, so this is a step: go on until it is hard or too fat."
        return _try(record, last, STEP * last.exposure_s, math.nan, reason), ""
    longest = min(longest_safe(allowed, doses), LEAP * last.exposure_s)
    if longest <= last.exposure_s * REPEAT:
        return None, "no longer one is safe: cure it after washing instead, as said above"
    reason = f"The longest with which nothing else turns solid{_whatever(allowed)}; cure it after washing as well."
    return _try(record, last, longest, math.nan, reason), ""


def _sank(record: Record, last: Vial, kind: str, allowed: Allowed, doses: Doses) -> Advice:
    if not allowed.closed:
        return None, UNKNOWN
    shortest = shortest_safe(allowed, doses)
    if shortest * REPEAT >= last.exposure_s:
        return None, "no shorter one turns all of the part solid: more light or a thicker resin, as said above"
    reason = (
        f"The shortest with which all of the part turns solid{_whatever(allowed)}: it sinks "
        f"{amount(shortest / last.exposure_s, 2)} times as far."
    )
    return _try(record, last, shortest, math.nan, reason), ""


def _place_liquid(record: Record, last: Vial, kind: str, allowed: Allowed, doses: Doses) -> Advice:
    """An end or the core: the exposure that gives its weakest place the largest threshold allowed."""
    where = {"top missing": "the top", "bottom missing": "the bottom"}.get(kind, "the core")
    full = doses.core if kind == "liquid centre" else end_of(record, kind).weakest_mj_cm3
    got = full * last.exposure_s / doses.exposure_s
    if not allowed.closed:
        return None, UNKNOWN
    if got >= allowed.high or not full > 0:
        return None, f"by the prediction {where} got enough ({amount(got, 3)} mJ/cm3): time will not bring it"
    needed = allowed.high / full * doses.exposure_s
    if needed > longest_safe(allowed, doses) * (1 + 1e-9):
        return None, (
            f"{seconds(needed)} would give {where} what it needs, and from {seconds(longest_safe(allowed, doses))} on "
            f"more than the part may turn solid{_whatever(allowed)}"
        )
    middle = math.sqrt(allowed.low * allowed.high) / planned_dose(record, doses) * doses.exposure_s
    exposure = min(max(needed, middle), longest_safe(allowed, doses))
    given = amount(full * exposure / doses.exposure_s, 3)
    reason = f"It gives the weakest place of {where} {given} mJ/cm3, and nothing else turns solid{_whatever(allowed)}."
    return _try(record, last, exposure, math.nan, reason), ""


def _whatever(allowed: Allowed) -> str:
    return f", whatever the threshold from {amount(allowed.low, 3)} to {amount(allowed.high, 3)} mJ/cm3"


RULES = {
    "liquid centre": _place_liquid,
    "top missing": _place_liquid,
    "bottom missing": _place_liquid,
    "soft": _soft,
    "sank": _sank,
}
