"""After prints, what dose, resin or vial mend: soft, sunk, a liquid centre, an end that is missing."""

import math
from collections.abc import Callable

from lightlathe.feasibility.light import DENSITY_RISE_KG_M3
from lightlathe.feasibility.side_effects import sinking_mm_s
from lightlathe.flow.after_print import AfterPrint
from lightlathe.flow.ends import end_of
from lightlathe.flow.recorded import job_of
from lightlathe.judge.next_exposure import longest_safe, seconds
from lightlathe.judge.seen import CameOut
from lightlathe.result import Record
from lightlathe.support.words import amount, duration, rounded_up


def soft(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    """What its weakest place got, how far the exposure can grow, and the light after washing that evens it out."""
    share, q, allowed = used / record.patterns.exposure_s, record.quality, found.allowed
    weakest, most = share * q["window_high_mj_cm3"], share * q["D2_in_mj_cm3"]
    hard = job_of(record).resin.at(used).solid_above_mj_cm3
    text = (
        f"it gelled and is little beyond that. The weakest place of the part got {amount(weakest, 3)} mJ/cm3, and "
        f"{amount(hard, 3)} is what the job calls solid. "
    )
    if found.doses is None:
        text += "Nothing around the part is judged, so a longer exposure is free. "
    elif allowed is not None and allowed.low > 0:
        longest = longest_safe(allowed, found.doses)
        least = f"a threshold of {amount(allowed.low, 3)} mJ/cm3, the smallest that prints and job allow"
        if math.isinf(longest):
            text += "No light falls outside the part, so a longer exposure is free. "
        elif longest > used:
            text += f"Up to {seconds(longest)} ({longest / used:.2f} times) nothing else turns solid, with {least}. "
        else:
            text += f"More than {seconds(longest)} may turn the surroundings solid, with {least}: no longer. "
    elif allowed is not None:
        text += "How much longer is too long no print tells yet. "
    wanting, a = most - weakest, job_of(record).resin.absorption_per_mm
    if wanting > 0:
        text += (
            f"After washing cure it under even light: {amount(wanting, 2)} mJ/cm3 more give its weakest place what its "
            f"strongest got, {amount(wanting / (10 * a), 2)} mJ/cm2 of the same wavelength."
        )
    return text.rstrip()


def liquid_centre(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    """On the axis the dose of straight light is proportional to a exp(-a R), so it falls with a beyond 1 / R."""
    job, radius = job_of(record), record.vial_radius_mm
    a, gel, whose = job.resin.absorption_per_mm, job.resin.at(used).gel_mj_cm3, "the job's own numbers"
    if found.allowed is not None and found.allowed.closed and found.allowed.by != "job":
        gel, whose = found.allowed.high, "the threshold of these prints, at most,"
    text = "the resin absorbs more than the job says, or the light does not reach the middle. "
    if found.doses is None:
        return text + "Measure the absorption: lightlathe resin."
    core = found.doses.core * used / found.doses.exposure_s
    ruled_out = found.absorption if found.absorption is not None and found.absorption.rules_out(a) else None
    if core <= gel and ruled_out is None:
        return (
            f"by {whose} the core got {amount(core, 3)} mJ/cm3 and needs {amount(gel, 3)}: "
            f"{amount(gel / core, 3)} times the exposure."
        )
    if ruled_out is not None:
        return (
            f"{text}By all prints together it absorbs {ruled_out.text('1/mm')}, by the job {amount(a, 3)}: a longer "
            "exposure alone fattens the skin."
        )
    least = absorption_for(gel / core, a, radius)
    return (
        f"{text}With {amount(least, 2)} 1/mm or more the core gets less than the {amount(gel, 3)} mJ/cm3 that it "
        "needs; "
        f"the job says {amount(a, 3)}, with which it got {amount(core, 3)}. Measure it (lightlathe resin), write "
        "absorption_per_mm, and design again: a longer exposure alone fattens the skin."
    )


def absorption_for(share: float, a: float, radius_mm: float) -> float:
    """The absorption above `a` at which the dose on the axis is `share` of what it is at `a`: b exp(-b R) as told."""
    low, high = max(a, 1 / radius_mm), max(a, 1 / radius_mm)
    falls: Callable[[float], float] = lambda b: math.log(b / a) - (b - a) * radius_mm - math.log(share)  # noqa: E731
    while falls(high) > 0:
        high *= 2
    while high / low > 1.001:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if falls(middle) > 0 else (low, middle)
    return high


def sank(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    """Stokes' law for a ball of the part's volume that is solid for half of the exposure, as in the check."""
    job, pixel = job_of(record), record.patterns.pixel_mm
    ball = (3 * record.part.volume_mm3 / (4 * math.pi)) ** (1 / 3)
    rise = job.resin.density_rise_kg_m3 or DENSITY_RISE_KG_M3
    thick = sinking_mm_s(ball, rise, 1.0) * used / 2 / pixel  # viscosity at which it sinks a pixel
    text = (
        f"solid for half of {duration(used)}, a ball of its volume, {amount(rise, 3)} kg/m3 denser than the resin, "
        "sinks "
        f"less than a pixel ({amount(pixel, 3)} mm) in a resin of {rounded_up(thick)} Pa s or more"
    )
    now = job.resin.viscosity_pa_s
    if now is not None and now < thick:
        return (
            f"{text}; this one has {amount(now, 3)}. Thicken or cool it, or expose {amount(thick / now, 2)} times "
            "shorter with as much more light."
        )
    if now is not None:
        return f"{text}, and this one has {amount(now, 3)}: so it was moved otherwise. Was the vial warm, or knocked?"
    return f"{text} (viscosity_pa_s is not given). Thicken or cool it, or expose shorter with as much more light."


def end_missing(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    """What the slices at that end of the part get in the prediction, beside the rest of it."""
    job, top, end = job_of(record), seen.kind == "top missing", end_of(record, seen.kind)
    weakest = end.weakest_mj_cm3 * used / record.patterns.exposure_s
    gel, whose = job.resin.at(used).gel_mj_cm3, "by the job"
    if found.allowed is not None and found.allowed.closed and found.allowed.by != "job":
        gel, whose = found.allowed.high, "by these prints, at most"
    field = record.patterns.field.rows * record.patterns.pixel_mm / 2
    where, looked_at = "top" if top else "bottom", amount(end.height_mm, 2)
    if weakest <= gel:
        return (
            f"the prediction has it too: the weakest voxel of the {where} {looked_at} mm gets "
            f"{amount(weakest, 3)} mJ/cm3 and needs {amount(gel, 3)} ({whose}), "
            f"{amount(gel / max(weakest, 1e-9), 3)} times as much. "
            "Level ends print truest on rows of pixels (level_ends in [grid]); a dead row leaves its height liquid."
        )
    resin_mm = job.vial.resin_height_mm / 2
    return (
        f"the prediction has it solid: every voxel of the {where} {looked_at} mm gets "
        f"{amount(weakest, 3)} mJ/cm3 or more and needs {amount(gel, 3)} ({whose}), so the light or the resin was "
        f"not there. The part's {where} is at z = {amount(end.z_mm, 3)} mm, the picture ends at "
        f"{'' if top else '-'}{amount(field, 3)} mm and the resin at {'' if top else '-'}{amount(resin_mm, 3)} mm: is "
        "the vial filled and the picture centred on it?"
    )
