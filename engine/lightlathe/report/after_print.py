"""After prints, in words: what to change and by how much, for each thing that was seen."""

import math
from collections.abc import Callable, Sequence

from torch import Tensor

from lightlathe.feasibility.light import DENSITY_RISE_KG_M3
from lightlathe.feasibility.side_effects import sinking_mm_s
from lightlathe.flow.after_print import AfterPrint
from lightlathe.flow.recorded import job_of
from lightlathe.judge.estimates import Vial, at_odds, centre_liquid
from lightlathe.judge.seen import CameOut
from lightlathe.quantities import SOLID, Volume, any_in_slices
from lightlathe.result import Record
from lightlathe.support.words import amount, duration, rounded_up

END_SHARE = 0.1  # of the part's height, looked at where its top or bottom is missing


def changes(record: Record, found: AfterPrint) -> list[str]:
    """What to change besides the exposure: an entry for each thing seen of the new prints that asks for it.

    What several prints have is answered for the last of them. Of earlier prints a liquid centre is answered too, until
    a longer exposure had a solid one; the rest stands in one line.
    """
    before = found.vials[: len(found.vials) - found.named]
    liquid = [vial for vial in before if centre_liquid(vial, found.vials)]
    seen = {one.kind: (one, vial.exposure_s) for vial in liquid for one in vial.seen if one.kind == "liquid centre"}
    seen |= {one.kind: (one, vial.exposure_s) for vial in found.new for one in vial.seen if one.kind in ADVICE}
    several = len({used for _, used in seen.values()}) > 1
    lines = []
    for one, used in seen.values():
        at = f" ({amount(used, 4)} s)" if several else ""
        lines.append(f"{one.words}{at}: {ADVICE[one.kind](record, found, one, used)}")
    for vial in found.new:
        if at_odds(vial, found.doses):
            lines.append(f"{', '.join(one.words for one in vial.seen)}: {_at_odds(record, found, vial.exposure_s)}")
    return lines + _of_earlier(before, found, set(seen))


def _of_earlier(before: Sequence[Vial], found: AfterPrint, answered: set[str]) -> list[str]:
    """What was said of earlier prints and is not answered again."""
    lines = [
        f"'{vial.words}' is left out of what follows: no one exposure mends all of it."
        for vial in before
        if at_odds(vial, found.doses)
    ]
    rest = {one.kind: one.words for vial in before for one in vial.seen if one.kind in set(ADVICE) - answered}
    if rest:
        lines.append(
            f"kept of earlier prints and not said of these, so taken as mended: {', '.join(rest.values())}. "
            "predict RESULT --kept says what to change."
        )
    return lines


def _soft(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    share, q = used / record.patterns.exposure_s, record.quality
    weakest, hard = share * q["window_high_mj_cm3"], job_of(record).resin.at(used).solid_above_mj_cm3
    longest = q.get("longest_s", math.nan)
    text = (
        f"it gelled and is little beyond that. The weakest place of the part got {amount(weakest, 3)} mJ/cm3, and "
        f"{amount(hard, 3)} is what the job calls solid"
    )
    if weakest < hard:
        text += f": {amount(hard / weakest, 3)} times the exposure gives it that"
    if math.isfinite(longest) and longest > used:
        more = f"Up to {duration(longest)} ({longest / used:.2f} times) nothing else turns solid"
        return f"{text}. {more}. Then cure it under even light after washing."
    return f"{text}. More turns the surroundings solid: wash gently and cure it under even light afterwards."


def _at_odds(record: Record, found: AfterPrint, used: float) -> str:
    """Too thin in one place and closed in another, of one print."""
    text = (
        "no one exposure mends both: a longer one turns more solid where it is too much already, a shorter one leaves "
        "more liquid where it is too little. "
    )
    doses = found.doses
    if doses is not None and not math.isnan(doses.most_out):
        share = used / doses.exposure_s
        out, inside = amount(share * doses.most_out, 3), amount(share * doses.least_in, 3)
        between = f"the most exposed place around the part got {out} mJ/cm3 and the weakest of the part {inside}"
        if doses.most_out >= doses.least_in:
            text += f"The design has no window between them: {between}. More iterations, a finer pixel or wider holes. "
        else:
            text += f"The design has a window between them: {between}, so the light is not what the job says. "
    return text + (
        "Blurred light does this (focus; blur_mm in [light]; resin that scatters), and so does an axis that is off "
        "(doubled edges; axis_offset_pixels). Measure these, write them, and design again."
    )


def _liquid_centre(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    """On the axis the dose of straight light is proportional to a exp(-a R), so it falls with a beyond 1 / R."""
    job, radius = job_of(record), record.vial_radius_mm
    a, gel, whose = job.resin.absorption_per_mm, job.resin.at(used).gel_mj_cm3, "the job's own numbers"
    if found.threshold is not None and not found.contradiction and found.threshold.closed:
        gel, whose = found.threshold.value, "the threshold of these prints"
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
    least = _absorption_for(gel / core, a, radius)
    return (
        f"{text}With {amount(least, 2)} 1/mm or more the core gets less than the {amount(gel, 3)} mJ/cm3 that it "
        "needs; "
        f"the job says {amount(a, 3)}, with which it got {amount(core, 3)}. Measure it (lightlathe resin), write "
        "absorption_per_mm, and design again: a longer exposure alone fattens the skin."
    )


def _absorption_for(share: float, a: float, radius_mm: float) -> float:
    """The absorption above `a` at which the dose on the axis is `share` of what it is at `a`: b exp(-b R) as told."""
    low, high = max(a, 1 / radius_mm), max(a, 1 / radius_mm)
    falls: Callable[[float], float] = lambda b: math.log(b / a) - (b - a) * radius_mm - math.log(share)  # noqa: E731
    while falls(high) > 0:
        high *= 2
    while high / low > 1.001:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if falls(middle) > 0 else (low, middle)
    return high


def _doubled(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    light, pixel = job_of(record).light, record.patterns.pixel_mm
    text = "opposite images do not meet: the turning axis lies beside the column that the job takes it to be at. "
    if seen.by_mm is not None:
        off = seen.by_mm / 2 / pixel
        now = light.axis_offset_pixels
        text += (
            f"Edges {seen.by_mm:g} mm apart are twice the error, so it is {amount(off, 3)} columns: "
            "axis_offset_pixels = "
            f"{amount(now + off, 3)} or {amount(now - off, 3)} in [light] instead of {now:g}. "
        )
    else:
        text += "How far apart are they? Half of that, in columns, is the error of axis_offset_pixels in [light]. "
    return text + (
        "A needle at 0 and 180 degrees tells which: lightlathe export JOB.toml --calibration FOLDER, then lightlathe "
        "projector. Or the axis wobbles: then mend the stage."
    )


def _mirrored(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    sense = job_of(record).turn.sense
    other = "counterclockwise" if sense == "clockwise" else "clockwise"
    return (
        f"the vial turns the other way than the job says, or the picture is mirrored. Look from above: if it turns "
        f"{other}, "
        f'write sense = "{other}" in [turn] (now "{sense}"). If it does turn {sense}, the picture is mirrored: flip = '
        '"left_right" in [light]. The letter of lightlathe export JOB.toml --calibration FOLDER shows which. Then '
        "design again."
    )


def _upside_down(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    light = job_of(record).light
    return (
        f'the picture stands on its head: flip = "up_down" in [light] (now {light.flip or "none"!r}), or rotate_deg = '
        f"{(light.rotate_deg + 180) % 360} if the projector hangs upside down. Then design again."
    )


def _sank(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
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


def _end_missing(record: Record, found: AfterPrint, seen: CameOut, used: float) -> str:
    """What the slices at that end of the part get in the prediction, beside the rest of it."""
    job, top = job_of(record), seen.kind == "top missing"
    judged, grid = record.part.judged, record.part.grid
    slices = any_in_slices(judged, lambda codes: codes == SOLID).nonzero().flatten()
    count = max(1, round(END_SHARE * len(slices)))
    end = slices[-count:] if top else slices[:count]
    share = used / record.patterns.exposure_s
    weakest = share * _least(record.prediction.dose, judged, end)
    gel = job.resin.at(used).gel_mj_cm3
    z = grid.centres_mm(2)
    at = float(z[slices[-1 if top else 0]]) + (grid.voxel_mm / 2 if top else -grid.voxel_mm / 2)
    field = record.patterns.field.rows * record.patterns.pixel_mm / 2
    where = "top" if top else "bottom"
    if weakest <= gel:
        return (
            f"the prediction has it too: the weakest voxel of the {where} {amount(count * grid.voxel_mm, 2)} mm gets "
            f"{amount(weakest, 3)} mJ/cm3 and needs {amount(gel, 3)}, {amount(gel / max(weakest, 1e-9), 3)} times as "
            "much. "
            "Level ends print truest on rows of pixels (level_ends in [grid]); a dead row leaves its height liquid."
        )
    resin_mm = job.vial.resin_height_mm / 2
    return (
        f"the prediction has it solid: every voxel of the {where} {amount(count * grid.voxel_mm, 2)} mm gets "
        f"{amount(weakest, 3)} mJ/cm3 or more and needs {amount(gel, 3)}, so the light or the resin was not there. The "
        f"part's {where} is at z = {amount(at, 3)} mm, the picture ends at {'' if top else '-'}{amount(field, 3)} mm "
        "and "
        f"the resin at {'' if top else '-'}{amount(resin_mm, 3)} mm: is the vial filled and the picture centred on it?"
    )


def _least(dose: Volume, judged: Volume, slices: Tensor) -> float:
    inside = dose[..., slices][judged[..., slices] == SOLID]
    return float(inside.min()) if inside.numel() else math.nan


ADVICE: dict[str, Callable[[Record, AfterPrint, CameOut, float], str]] = {
    "soft": _soft,
    "liquid centre": _liquid_centre,
    "doubled edges": _doubled,
    "mirrored": _mirrored,
    "upside down": _upside_down,
    "sank": _sank,
    "top missing": _end_missing,
    "bottom missing": _end_missing,
}
