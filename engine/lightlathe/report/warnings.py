"""Warnings about a predicted print that is wrong, or only just right."""

import math

from lightlathe.feasibility.case import FINER
from lightlathe.feasibility.resin import REACHED_WINDOW
from lightlathe.feasibility.sampling import SMEAR_PIXELS, STEP_PIXELS
from lightlathe.flow.findings import corrective_shift_mm
from lightlathe.flow.prepare import Setup
from lightlathe.job.lit_space import narrowing
from lightlathe.judge.ends import move_words
from lightlathe.judge.exposure_plan import ExposurePlan
from lightlathe.judge.outcome import AGREES, GRADED_TO, MARGIN_PERCENT
from lightlathe.judge.turning import FAST_TURN_S, views_per_turn
from lightlathe.quantities import Prediction
from lightlathe.support.words import amount, count, duration, percent

WORSE = 0.02  # of overlap: the finer grid shows a print that much worse than the job's own (no source)
FEW_BITS = 3  # 2 to 8 levels


def warnings_of(setup: Setup, plan: ExposurePlan, prediction: Prediction) -> list[str]:
    """The warnings for the print of a design."""
    light, resin = setup.job.light, setup.job.resin.at(plan.exposure_s)
    return warnings(
        prediction.quality,
        plan,
        bits=light.level_bits,
        voxels_per_pixel=light.pixel_mm / setup.job.grid.voxel_mm,
        safe_dose=resin.liquid_below_mj_cm3 > 0,
        move_mm=corrective_shift_mm(setup, prediction.fine_solid),
        images=_images(setup),
    )


def warnings(
    quality: dict[str, float],
    plan: ExposurePlan | None = None,
    *,
    bits: int | None = None,
    voxels_per_pixel: float | None = None,
    safe_dose: bool = True,
    move_mm: float | None = None,
    images: str = "",
) -> list[str]:
    """Plain sentences, worst first; empty if the print is right with some margin.

    quality   as from `judge.quality` (without suffix; `_fine` figures are used where present)
    plan      the exposure, where one was planned
    bits      of the projector's levels, to judge the dimming
    voxels_per_pixel   how many voxels a pixel is wide; below 1 the pixels are finer
    safe_dose   some dose leaves the resin liquid
    images    that a turn has too few images, in words; said where the print is wrong or its window narrow
    move_mm   shift along z that puts flat ends onto pixel rows, where most errors lie there
    """
    said = []
    under, over = quality["under_cure_fraction"], quality["over_cure_fraction"]
    wrong, window = under > 0 or over > 0, quality["window_relative"]
    if math.isnan(window):
        said.append(f"There is no window to judge: {nothing_judged(quality)}.")
    if under > 0:
        said.append(f"{percent(under)} of the part stays liquid: {_missing(under)}.")
    if over > 0:
        of_part = quality["over_cure_of_part"]
        as_much = f"{amount(of_part)} times the part's volume"
        if of_part < 1:
            as_much = f"as much as {percent(of_part)} of the part"
        said.append(
            f"{percent(over)} of the resin around the part turns solid ({as_much}): gaps close and the part comes out "
            "oversized."
        )
    if wrong and bits is not None and bits <= FEW_BITS:
        said.append(
            f"{count(bits, 'bit')} per pixel {'gives' if bits == 1 else 'give'} only {2**bits} levels of light, too "
            "few for this print. Use a mode of the projector with more bits, 8 if it has them."
        )
    if not safe_dose and not math.isnan(window):
        said.append(
            "No exposure prints this right: liquid_below is 0, so any dose turns this resin solid, and light passes "
            "through all that surrounds the part."
        )
    elif window <= 0:
        said.append(
            "No exposure prints this right: some place outside the part gets as much light as some place in it, or "
            "more."
        )
    elif window < 0.05:
        said.append(
            f"The process window is only {percent(window)}: an exposure or a threshold off by half of that "
            "spoils the print."
        )
    misses = plan is not None and plan.reachable and not (plan.right or math.isnan(plan.shortest_s))
    if window > 0 and wrong and misses:
        said.append(
            "Another exposure would print every voxel of the job's grid right: the planned one misses the window."
        )
    if plan is not None and plan.right and min(plan.shorter_percent, plan.longer_percent) < MARGIN_PERCENT:
        said.append(_slim(plan))
    unsure_in, unsure_out = quality["unsure_part_fraction"], quality["unsure_liquid_fraction"]
    if not wrong and (unsure_in > 0 or unsure_out > 0):
        shares = ((unsure_in, "of the part"), (unsure_out, "of the rest"))
        both = " and ".join(f"{percent(share)} {whose}" for share, whose in shares if share > 0)
        said.append(
            f"{both} {'get' if ' and ' in both else 'gets'} a dose between liquid_below and solid_above: right at the "
            "gel dose, but not for sure. Knowing more closely where the resin turns solid settles it."
        )
    fine = quality.get("iou_fine", math.nan)
    if images and (wrong or window < REACHED_WINDOW or fine < AGREES):
        said.append(images)
    if fine < AGREES:
        why = ""
        if safe_dose and quality.get("iou", 1.0) > fine + WORSE:
            why = _coarse(quality, voxels_per_pixel, move_mm)
        said.append(
            f"On a finer grid print and true shape overlap by {percent(fine)} only; "
            f"{percent(quality['under_cure_fraction_fine'])} of the part stays liquid there.{why}"
        )
    if plan is not None and not plan.reachable:
        said.append(
            f"The longest exposure allowed ({duration(plan.exposure_s)}) is too short for a full cure. Allow more time "
            "or use more irradiance."
        )
    if plan is not None and plan.dimming < 0.5:
        stirs = plan.turn_s * plan.dimming < FAST_TURN_S
        lost, faster = "", "" if stirs else ", or a faster turn where the projector keeps up,"
        if bits:
            steps = 2**bits - 1
            lost = (
                f", {math.log2(1 / plan.dimming):.1f} of {bits} bits are lost"
                if plan.dimming * steps >= 1
                else f", less than one of the projector's {count(steps, 'step')} is left"
            )
        said.append(
            f"{'One turn is' if plan.turns == 1 else 'Whole turns are'} more than enough light: levels are dimmed to "
            f"{percent(plan.dimming)}{lost}. A dimmer lamp{faster} keeps the projector's steps fine."
        )
    graded = quality.get("wanted_dose_90", 0.0)
    if not graded <= GRADED_TO:
        said.append(
            f"A tenth of the part is further than {graded:.2f} gel doses from the dose it wants. Steps between doses "
            "that are smaller, loss dose_corridor, or more iterations help."
        )
    if quality.get("window_all_scenarios_robust", 0.0) < quality.get("window_all_scenarios_plain", -math.inf):
        said.append(
            "Designing for the scenarios made their worst case worse than a plain design does: leave `robust` out, or "
            'take a loss of the worst voxels (loss = "soft_window").'
        )
    return said


def _images(setup: Setup) -> str:
    """That a turn has too few images for the part and its pixels, as the check has it (feasibility/sampling.py); empty
    where it has enough."""
    job = setup.job
    reach_mm = max(solid.form.reach_mm for solid in setup.solids if solid.role == "part")
    pixel_mm = job.light.pixel_mm * narrowing(job.light, job.vial, job.resin)
    step_mm = 2 * math.pi * reach_mm / job.turn.angles
    if step_mm <= STEP_PIXELS * pixel_mm:
        return ""
    limit = SMEAR_PIXELS if job.turn.motion == "continuous" else STEP_PIXELS
    wanted = math.ceil(views_per_turn(math.ceil(2 * reach_mm / pixel_mm)) / limit)
    return (
        f"{count(job.turn.angles, 'image')} a turn are too few, and narrow the process window: from one to the next "
        f"the part's edge moves {amount(step_mm)} mm (pi D / N), {count(step_mm / pixel_mm, 'pixel')}. "
        f"angles = {wanted} or more in [turn] would do."
    )


def _missing(under: float) -> str:
    """The effect of a share of the part that stays liquid."""
    if under == 1:
        return "nothing comes out"
    return "most of it will be missing" if under > 0.5 else "thin places will be missing or weak"


def _slim(plan: ExposurePlan) -> str:
    """The warning about a narrow exposure margin, and on which side."""
    shorter, longer = f"{amount(plan.shorter_percent)} % shorter", f"{amount(plan.longer_percent)} % longer"
    if plan.longer_percent >= MARGIN_PERCENT:
        right = f"hardly any margin to the short side: it is right up to {shorter}"
    elif plan.shorter_percent >= MARGIN_PERCENT:
        right = f"hardly any margin to the long side: it is right up to {longer}"
    else:
        right = f"hardly any margin: it is right up to {shorter} and {longer}"
    return f"The exposure has {right}. Lamp, timer and resin must be steadier than that."


def nothing_judged(quality: dict[str, float]) -> str:
    """Why a print has no window."""
    if math.isnan(quality["under_cure_fraction"]):
        return "no voxel is to turn solid"
    if math.isnan(quality["over_cure_fraction"]):
        return "nothing around the part is judged"
    return "no dose reaches the part or what is around it"


def _coarse(quality: dict[str, float], voxels_per_pixel: float | None, move_mm: float | None) -> str:
    """What may be too coarse where the finer grid shows a worse print, and what would help."""
    banded = quality.get("iou_fine_judged", -1.0) > quality["iou_fine"] + WORSE
    if banded and quality.get("iou_whole", 1.0) < AGREES:  # else the band holds nothing wrong on the design's own grid
        return (
            " Most of that lies in the tolerance band, which the design does not look at: a narrower one "
            "(tolerance_mm) helps."
        )
    if move_mm is not None:
        return (
            " Most of that lies within half a row of the part's level ends, which lie between two rows of "
            f"pixels and print up to half a row short: {move_words(move_mm)}."
        )
    liquid_most = quality["under_cure_fraction_fine"] > quality["over_cure_of_part_fine"]
    if voxels_per_pixel is not None and voxels_per_pixel < FINER and liquid_most:
        return (
            " The pixels are finer than the voxels, so stripes of liquid may lie between the voxels' centres, inside "
            "the part too: voxels no wider than the pixels mend that."
        )
    return " Details may be as small as the voxels or the pixels: where they are, finer ones of both draw them."
