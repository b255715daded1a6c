"""After prints, in words: what contradicts what, and threshold and absorption as they follow from all prints."""

import math
from collections.abc import Iterator

from lightlathe.flow.after_print import AfterPrint
from lightlathe.flow.recorded import job_of
from lightlathe.judge.threshold import Estimate, Stated, resin_values
from lightlathe.result import Record
from lightlathe.support.words import amount, count, rounded_up

UNLIKE = 1.1  # times beyond the job's own doses: a threshold there is questioned (no source)


def question(found: AfterPrint) -> list[str]:
    """What to ask first where prints contradict each other."""
    if not found.contradiction:
        return []
    return [
        f"{found.contradiction}. Was the lamp the same, the resin, the result? Was one misread?",
        "no exposure is advised until that is settled: any would be wrong by one of these prints",
    ]


def estimates(record: Record, found: AfterPrint) -> Iterator[str]:
    """Threshold and absorption with their intervals, how they were found, and lines for [resin]."""
    job, threshold, absorption = job_of(record), found.threshold, found.absorption
    if threshold is not None and not found.contradiction and threshold.tells:
        yield f"threshold:  {threshold.text('mJ/cm3')} by {count(found.told, 'print')}; {_with_job(found)}"
    if absorption is not None and not absorption.against and not found.contradiction:
        yield (
            f"absorption: {absorption.text('1/mm')}, where a threshold agrees with surfaces and cores of all prints; "
            f"the job says {amount(job.resin.absorption_per_mm, 3)}"
        )
    if not found.steady and len({vial.exposure_s for vial in found.vials}) > 1:
        yield (
            "            this resin's doses change with the time they take: prints of other exposures tell of others, "
            "so the threshold is that of the last exposure alone"
        )
    unsure = found.contradiction or _rests_on_other_light(found)
    if threshold is not None and threshold.close and found.steady and found.told > 1 and not unsure:
        yield from _for_resin(threshold, found.stated)


def _with_job(found: AfterPrint) -> str:
    """What the job says, and what it says together with the prints."""
    stated, allowed = found.stated, found.allowed
    says = f"the job says {amount(stated.liquid_below, 3)} to {amount(stated.solid_above, 3)}"
    if allowed is None or stated.liquid_below <= 0:
        return says
    known = f"{says}, known to {amount(stated.known_to_percent)} %"
    low, high = stated.interval
    size = math.nan if found.threshold is None or not found.threshold.measured else found.threshold.value
    if allowed.by != "prints" and (size < low / UNLIKE or size > high * UNLIKE):  # NaN compares false
        return f"{says}, far from what the size gives: check lamp power and doses before trusting either"
    if allowed.by == "job":
        return f"{says}, which {'lies in it' if found.threshold is not None and found.threshold.closed else 'agrees'}"
    if allowed.by == "both":
        return f"{known}: together {amount(allowed.low, 3)} to {amount(allowed.high, 3)}"
    return f"{known}, which these prints rule out: check lamp power and doses before trusting either"


def _rests_on_other_light(found: AfterPrint) -> bool:
    """Whether the doses that the threshold is read from are those of other light or of another resin."""
    last = found.vials[-1]
    return found.allowed is None or not last.of_this_light or (bool(found.withheld) and "liquid centre" in last.kinds)


def _for_resin(threshold: Estimate, stated: Stated) -> Iterator[str]:
    values = resin_values(threshold, stated)
    if values is None:
        yield "for [resin]: nothing new; what the job says of its doses is narrower than what these prints tell"
        return
    low, high, percent = values
    yield "for [resin], as these prints and the job have it:"
    yield f"  liquid_below_mj_cm3 = {amount(low, 4)}"
    yield f"  solid_above_mj_cm3 = {amount(high, 4)}"
    yield f"  doses_known_to_percent = {rounded_up(percent)}"
