"""After prints, in words: what contradicts what, and threshold and absorption as they follow from all prints."""

import math
from collections.abc import Iterator

from lightlathe.flow.after_print import AfterPrint
from lightlathe.flow.recorded import job_of
from lightlathe.result import Record
from lightlathe.support.words import amount, rounded_up


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
    resin = job.resin.at(found.vials[-1].exposure_s)
    between = ", between what stayed liquid and what turned solid" if threshold is not None and threshold.closed else ""
    if (
        threshold is not None
        and not found.contradiction
        and not threshold.against
        and (threshold.low > 0 or math.isfinite(threshold.high))
    ):
        yield (
            f"threshold:  {threshold.text('mJ/cm3')}{between}; the job says "
            f"{amount(resin.liquid_below_mj_cm3, 3)} to {amount(resin.solid_above_mj_cm3, 3)}"
        )
    if absorption is not None and not absorption.against:
        yield (
            f"absorption: {absorption.text('1/mm')}, where a threshold agrees with surfaces and cores of all prints; "
            f"the job says {amount(job.resin.absorption_per_mm, 3)}"
        )
    if not found.steady and len({vial.exposure_s for vial in found.vials}) > 1:
        yield "            this resin's doses change with the time they take: prints of other exposures tell of others"
    unsure = found.contradiction or found.withheld  # then the prediction that doses are read from does not hold
    if threshold is not None and threshold.close and found.steady and found.told > 1 and not unsure:
        percent = rounded_up(threshold.known_to_percent)
        yield "for [resin], as these prints have it:"
        yield f"  liquid_below_mj_cm3 = {amount(threshold.low, 3)}"
        yield f"  solid_above_mj_cm3 = {amount(threshold.high, 3)}"
        yield f"  doses_known_to_percent = {percent}"
