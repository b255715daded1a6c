"""The figures of a design once its levels are chosen: the print, its use of light, the effect of scenarios."""

import dataclasses
import math

from lightlathe.flow.aim import gain_per_turn, light_of
from lightlathe.flow.formulation import worst_case
from lightlathe.flow.prediction import figures_of, printed, whole_dose
from lightlathe.flow.prepare import Setup
from lightlathe.flow.stages import Found
from lightlathe.judge import ExposurePlan, graded
from lightlathe.judge.ends import ends_are_to_blame, move_onto_rows
from lightlathe.part import level_ends
from lightlathe.quantities import Light, Patterns, Prediction, Volume, rows_of, unpacked_from
from lightlathe.solve import Problem
from lightlathe.support.sums import exact_total
from lightlathe.support.watching import doing

AT_LIMIT = 0.999  # of level_limit: brighter pixels count as clipped by it


@doing("judging the print")
def judged(setup: Setup, patterns: Patterns, plan: ExposurePlan, plain: Problem, found: Found) -> Prediction:
    """The print of the levels with the stage's motion, on the job's grid and on a finer one, on the CPU.

    Its figures are those of judge/quality.py, of the exposure plan, of the light that is used, of graded parts and of
    the effect of designing for scenarios.
    """
    job, part = setup.job, setup.part.to(setup.where)
    resin = job.resin.at(plan.exposure_s)
    shown = light_of(setup, patterns)
    turning = setup.turning.scaled(gain_per_turn(job) * patterns.turns)
    incident_mj = sum(float(exact_total(piece)) for _, piece in rows_of(shown)) * (job.light.pixel_mm / 10) ** 2
    incident_mj *= job.light.irradiance_mw_cm2 * patterns.dwell_s * patterns.turns
    print_ = printed(turning, shown, part, setup.fine, resin, setup.slabs, setup.wanted, incident_mj)
    figures = print_.quality | plan.figures()
    figures["light_at_level_limit"] = share_from(found.patterns, AT_LIMIT * job.design.level_limit)
    if plain.target.dose is not None:
        figures |= graded(unpacked_from(print_.dose) / job.resin.gel_mj_cm3, plain.target)
    if found.plain is not None:
        figures |= robustness(setup, found.plain, found.patterns)
    fine_solid = None if print_.fine_solid is None else print_.fine_solid.cpu()
    return Prediction(print_.dose.float().cpu(), print_.solid.cpu(), figures, fine_solid)


def with_figures(prediction: Prediction, figures: dict[str, float]) -> Prediction:
    """The same with more figures."""
    return dataclasses.replace(prediction, quality=prediction.quality | figures)


def share_from(patterns: Light, level: float) -> float:
    """Share of the light that comes from pixels of this level or more."""
    total = bright = 0.0
    for _, piece in rows_of(patterns):
        total += float(exact_total(piece))
        bright += float(exact_total(piece * (piece >= level)))
    return bright / total if total > 0 else 0.0


@doing("comparing plain and robust design")
def robustness(setup: Setup, plain: Light, robust: Light) -> dict[str, float]:
    """The effect of designing for scenarios: windows over all scenarios at one exposure, and of the plain case.

    Uses the motion that the stage makes.
    """
    figures = {}
    for name, patterns in (("plain", plain), ("robust", robust)):
        doses = worst_case(setup, patterns, setup.operator.gain)
        max_outside, min_inside = (
            max(max_outside for max_outside, _ in doses),
            min(min_inside for _, min_inside in doses),
        )
        figures[f"window_all_scenarios_{name}"] = 1 - max_outside / min_inside if min_inside > 0 else -math.inf
        dose = whole_dose(setup.turning, patterns, setup.slabs.dose)
        figures[f"window_no_scenario_{name}"] = figures_of(dose, setup.part, setup.job.resin)["window_relative"]
    return figures


def corrective_shift_mm(setup: Setup, fine_solid: Volume | None) -> float | None:
    """The shift along z that corrects a print whose errors lie mostly at its flat ends; None if there is none."""
    if setup.fine is None or fine_solid is None:
        return None
    parts = [solid.form for solid in setup.solids if solid.role == "part"]
    ends, reach_mm = level_ends(parts), max(form.reach_mm for form in parts)
    light, vial, voxel_mm = setup.job.light, setup.job.vial, setup.part.grid.voxel_mm
    if ends is None or light.rows_spread or not ends_are_to_blame(fine_solid, setup.fine, light.pixel_mm):
        return None
    return move_onto_rows(ends, reach_mm, light.pixel_mm, light.rows, vial.resin_height_mm, voxel_mm)
