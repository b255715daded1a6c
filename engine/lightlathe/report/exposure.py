"""The lines about the exposure in a summary."""

import math

from lightlathe import judge
from lightlathe.flow.calibration import plan_of, windows_of
from lightlathe.flow.recorded import job_of
from lightlathe.judge.spread import unstated
from lightlathe.result import Record
from lightlathe.support.words import amount


def exposure_lines(record: Record) -> list[str]:
    """The exposure, its margins, the effect of the resin's uncertainty, and a bracketing series."""
    plan, job = plan_of(record), job_of(record)
    resin = job.resin
    banded = record.part.whole is not None
    voxels = f"of {record.part.grid.voxel_mm:g} mm" + (" less the tolerance band" if banded else "")
    robust = record.settings.get("design", {}).get("robust") is not None
    voxels += " under every scenario of [design.robust]" if robust else ""
    around = not math.isnan(record.quality["over_cure_fraction"])
    lines = plan.text(voxels, on_finer(record), around=around).splitlines()
    doses, absorption = resin.doses_known_to_percent, resin.absorption_known_to_percent or 0.0
    why = ""
    if doses is None:
        doses, said = unstated(resin.at(plan.exposure_s))
        why = f" ({said}; doses_known_to_percent in [resin] is not given)"
    windows = windows_of(record, resin)
    safe_dose = resin.liquid_below_mj_cm3 > 0
    if safe_dose and record.quality["window_relative"] > 0 and (resin.doses_known_to_percent or absorption):
        gel = resin.at(plan.exposure_s).gel_mj_cm3
        lines.append(judge.spread(plan.exposure_s, windows, gel, doses, absorption).text())
    here = resin.at(plan.exposure_s)
    if around and 0 < here.liquid_below_mj_cm3 == here.solid_above_mj_cm3:
        lines.append(
            f"of one threshold, {amount(here.solid_above_mj_cm3, 3)} mJ/cm3: liquid_below and solid_above are the same "
            "dose, an assumption that leaves no margin for what lies between"
        )
    known = f"a threshold known to {amount(doses)} %{why}"
    known += f" and an absorption known to {amount(absorption)} %" if absorption else ""
    series = judge.bracket(
        plan,
        doses,
        windows,
        known=known,
        images=len(record.patterns.angle_rad),
        longest_s=job.turn.longest_s,
        steady=judge.is_steady(resin, plan.exposure_s),
        safe_dose=safe_dose,
    )
    return [*lines, series.text()]


def on_finer(record: Record) -> str:
    """Whether any exposure prints the whole shape right on the finer grid; empty if it was not judged there."""
    q = record.quality
    if "iou_fine" not in q:
        return ""
    words = f"on the finer grid of {record.part.grid.voxel_mm / record.settings['grid']['finer']:g} mm"
    if q["window_relative_fine"] > 0:
        low, high = q["window_low_mj_cm3_fine"], q["window_high_mj_cm3_fine"]
        return f"{words} every threshold from {low:.1f} to {high:.1f} mJ/cm3 prints the whole shape right"
    if q["wrong_voxels_fine"] == 0:
        return f"{words} this exposure prints all of the shape right"
    if math.isnan(q["window_relative_fine"]):  # one class alone is judged: the rest is a question of time
        return f"{words} this one prints {q['iou_fine']:.4f} of 1"
    return f"{words} no exposure is right everywhere, this one for {q['iou_fine']:.4f} of 1"
