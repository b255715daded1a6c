"""The whole flow on one page: job -> part voxels -> chords -> dose operator -> design -> patterns -> prediction.

Read this first. Each stage knows nothing of the others; here they are joined.
"""

import dataclasses
import datetime
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

import lightlathe
from lightlathe.errors import JobError
from lightlathe.flow.aim import gain_per_turn
from lightlathe.flow.certificate import closer, proof_of, remedies_of
from lightlathe.flow.feasibility import check
from lightlathe.flow.formulation import problem_of, robust_problem, worst_case
from lightlathe.flow.prediction import figures_of, job_of, predict, printed
from lightlathe.flow.prepare import Setup, prepare, settings_of
from lightlathe.flow.quantisation import expose
from lightlathe.flow.shadow import designed_shadow
from lightlathe.flow.stages import Checkpoint, Log, run_stages
from lightlathe.job import Job, job_in, resolved
from lightlathe.judge import CAUTIONS, LONGEST_S, ExposurePlan, graded, light_use, warnings
from lightlathe.judge.ends import ends_are_to_blame, move_onto_rows
from lightlathe.judge.outcome import GRADED_TO
from lightlathe.part import level_ends
from lightlathe.projector import Codebook
from lightlathe.quantities import Patterns, Prediction
from lightlathe.report.advice import advice, unproven
from lightlathe.report.exposure import exposure_lines
from lightlathe.result import Record
from lightlathe.support.sums import exact_total
from lightlathe.support.watching import Watcher, doing, watched
from lightlathe.support.words import amount

__all__ = ["check", "design", "frames", "picture", "predict", "prepare", "summary"]

FASTEST_S = 2e-5  # an image of the fastest micromirror projectors, one bit deep, from memory of their data sheets


def design(
    job: Job | str | Path | Mapping[str, Any],
    *,
    on_iteration: Callable[[dict[str, float]], None] | None = None,
    on_stage: Watcher | None = None,
    checkpoint: Checkpoint | None = None,
    resume: tuple[dict[str, Any], Log] | None = None,
    setup: Setup | None = None,
) -> Record:
    """Design the patterns of a job and predict their print: the main job.

    job            a Job, the path of a job file, or its tables as a dict (`job_from`)
    on_iteration   called with the figures of each logged iteration; not in stages before the last (flow/stages.py)
    on_stage       told what is done just now, in words, and how far it is; see support/watching.py
    checkpoint     called now and then with (state, log); `resume` takes the last pair of a run that was stopped
    Raises         LightlatheError
    """
    with watched(on_stage):
        job = job_in(job)
        return _designed(job, setup or prepare(job), on_iteration, checkpoint, resume)


def _designed(
    job: Job,
    setup: Setup,
    on_iteration: Callable[[dict[str, float]], None] | None,
    checkpoint: Checkpoint | None,
    resume: tuple[dict[str, Any], Log] | None,
) -> Record:
    torch.manual_seed(job.design.seed)
    plain = problem_of(setup)
    robust = robust_problem(setup, plain)
    stages = run_stages(setup, plain, robust, on_iteration=on_iteration, checkpoint=checkpoint, resume=resume)
    found = stages.patterns
    patterns, plan = expose(setup, found, None if plain.target.dose is None else plain.operator.gain)
    prediction, warnings = judged(setup, patterns, plan)
    figures, advised = proven(setup, setup.turning.scaled(plain.operator.gain)(found))
    prediction.quality.update(figures)
    prediction.quality["light_at_level_limit"] = _share_from(found, 0.999 * job.design.level_limit)
    if not advised and prediction.quality["window_relative"] <= 0:
        advised = [unproven(figures.get("window_reached", math.nan), job.light.bits)]
    if figures:  # of the window that is shown, of rounded levels
        prediction.quality["window_gap"] = figures["window_proven_at_most"] - prediction.quality["window_relative"]
    if plain.target.dose is not None:
        prediction.quality.update(graded(prediction.dose / job.resin.gel_mj_cm3, plain.target))
        if not prediction.quality["wanted_dose_90"] <= GRADED_TO:
            warnings.append(
                f"A tenth of the part is further than {prediction.quality['wanted_dose_90']:.2f} gel doses from the "
                "dose it wants. Steps between doses that are smaller, loss dose_corridor, or more iterations help."
            )
    if stages.plain is not None:
        q = prediction.quality
        q.update(robustness(setup, stages.plain, found))
        if q["window_all_scenarios_robust"] < q["window_all_scenarios_plain"]:
            warnings.append(
                "Designing for the scenarios made their worst case worse than a plain design does: leave `robust` out, "
                'or take a loss of the worst voxels (loss = "soft_window").'
            )
    return Record(
        name=job.name,
        job_toml=job.text,
        settings=settings_of(job, setup.solids),
        part=setup.part.to("cpu"),
        patterns=patterns,
        prediction=prediction,
        vial_radius_mm=job.vial.radius_mm,
        facts=facts(setup, stages.stopped_because) | extent(setup) | {"coarse_seconds": stages.coarse_s},
        log=stages.log,
        log_before=stages.log_before,
        warnings=(*setup.warnings, *warnings, *shadowed(setup, patterns), *advised),
        fine=None if setup.fine is None else setup.fine.to("cpu"),
    )


def proven(setup: Setup, dose: Tensor) -> tuple[dict[str, float], list[str]]:
    """How wide the process window can be at most, whatever the patterns, and advice where none was found.

    dose   (x, y, z) of the light before its levels are rounded, in the stage's motion; 1 at the gel dose
    """
    steps = setup.job.design.bound_iterations
    if steps == 0:
        return {}, []
    proof = proof_of(setup, dose, iterations=steps)
    if proof is None:
        return {}, []
    if proof.reached > 0:
        return proof.figures(), []
    remedies = remedies_of(setup, proof)
    proof, remedies = closer(proof, remedies)
    return proof.figures(), [advice(proof, remedies, len(setup.operator.optics.chords.angle_rad))]


def shadowed(setup: Setup, patterns: Patterns) -> list[str]:
    """What the shadow of an insert would cost this print; flow/shadow.py."""
    shadow = designed_shadow(setup.job, setup.solids, setup.part.grid, patterns)
    return [] if shadow is None or not shadow.lost > 0 else [shadow.text()]


def _share_from(patterns: Tensor, level: float) -> float:
    """Share of the light that comes from pixels of this level or more."""
    total = exact_total(patterns)
    return float(exact_total(patterns * (patterns >= level)) / total) if total > 0 else 0.0


@doing("what designing for scenarios brought")
def robustness(setup: Setup, plain: Tensor, robust: Tensor) -> dict[str, float]:
    """What designing for scenarios brought and cost: windows over all scenarios at one exposure, and without any.

    Of the motion that the stage makes.
    """
    figures = {}
    for name, patterns in (("plain", plain), ("robust", robust)):
        doses = worst_case(setup, patterns, setup.operator.gain)
        most, least = max(most for most, _ in doses), min(least for _, least in doses)
        figures[f"window_all_scenarios_{name}"] = 1 - most / least if least > 0 else -math.inf
        dose = setup.turning(patterns)
        figures[f"window_no_scenario_{name}"] = figures_of(dose, setup.part, setup.job.resin)["window_relative"]
    return figures


@doing("judging the print")
def judged(setup: Setup, patterns: Patterns, plan: ExposurePlan) -> tuple[Prediction, list[str]]:
    """The print that the quantised levels give in the stage's motion, on the job's grid and on a finer one."""
    job, resin = setup.job, setup.job.resin.at(plan.exposure_s)
    shown = patterns.fractions(setup.dtype, setup.device)
    turning = setup.turning.scaled(gain_per_turn(job) * patterns.turns)
    prediction = printed(turning, shown, setup.part.to(setup.device), setup.fine, resin)
    figures, dose = prediction.quality, prediction.dose
    figures |= {name: float(value) for name, value in dataclasses.asdict(plan).items()}
    figures |= {"shorter_percent": plan.shorter_percent, "longer_percent": plan.longer_percent}
    incident_mj = float(exact_total(shown)) * (job.light.pixel_mm / 10) ** 2
    incident_mj *= job.light.irradiance_mw_cm2 * patterns.dwell_s * patterns.turns
    figures |= light_use(dose, setup.part.to(setup.device), incident_mj)
    fine_solid = None if prediction.fine_solid is None else prediction.fine_solid.cpu()
    prediction = Prediction(dose.float().cpu(), prediction.solid.cpu(), figures, fine_solid)
    return prediction, warnings(
        figures,
        plan,
        bits=job.light.bits,
        voxels_per_pixel=job.light.pixel_mm / job.grid.voxel_mm,
        safe_dose=resin.liquid_below_mj_cm3 > 0,
        move_mm=_move_onto_rows(setup, fine_solid),
    )


def _move_onto_rows(setup: Setup, fine_solid: Tensor | None) -> float | None:
    """The move along z that mends a print most of whose faults lie at its level ends; judge/ends.py."""
    if setup.fine is None or fine_solid is None:
        return None
    ends = level_ends([solid.form for solid in setup.solids if solid.role == "part"])
    light, vial, voxel_mm = setup.job.light, setup.job.vial, setup.part.grid.voxel_mm
    if ends is None or not ends_are_to_blame(fine_solid, setup.fine, light.pixel_mm):
        return None
    return move_onto_rows(ends, light.pixel_mm, light.rows, vial.resin_height_mm, voxel_mm)


def facts(setup: Setup, stopped_because: str) -> dict[str, Any]:
    """What ran, where and when, for the result file."""
    device = setup.device
    name = torch.cuda.get_device_name(device) if device.type == "cuda" else "cpu"
    return {
        "created_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "program_version": lightlathe.__version__,
        "torch_version": str(torch.__version__),
        "device": name,
        "kernel": setup.operator.kernel,
        "precision": setup.job.design.precision,
        "seed": setup.job.design.seed,
        "stopped_because": stopped_because,
    }


def extent(setup: Setup) -> dict[str, Any]:
    """What the parts take up, as they stand in the vial, for the result file."""
    forms = [solid.form for solid in setup.solids if solid.role == "part"]
    low = [min(float(form.bounds_mm[0, axis]) for form in forms) for axis in range(3)]
    high = [max(float(form.bounds_mm[1, axis]) for form in forms) for axis in range(3)]
    return {"part_low_mm": low, "part_high_mm": high, "part_reach_mm": max(form.reach_mm for form in forms)}


def frames(record: Record, folder: Path, exposure_s: float | None = None) -> Path:
    """Write the frames of a record for the projector; returns the manifest's path. See export/frames.py.

    exposure_s   another time than planned, in as many turns
    """
    from lightlathe.export.frames import write_frames

    job, patterns = job_of(record), record.patterns
    if exposure_s is not None:
        if not (math.isfinite(exposure_s) and exposure_s > 0):
            raise JobError(f"the exposure is {exposure_s} s; expected a time above 0.")
        dwell_s = exposure_s / (patterns.turns * len(patterns.angle_rad))
        if not FASTEST_S <= dwell_s <= LONGEST_S:
            raise JobError(
                f"an exposure of {exposure_s:g} s shows each of {len(patterns.angle_rad)} images for {amount(dwell_s)} "
                f"s; expected {FASTEST_S:g} s to a day in a turn. The planned exposure is {patterns.exposure_s:g} s."
            )
        patterns = dataclasses.replace(patterns, dwell_s=dwell_s)
    codes = Codebook.of(job.light.bits, job.light.response).codes_of(record.patterns.levels.numpy())
    applied = {"vial_turns_seen_from_above": job.turn.sense, "response_undone": resolved(job)["light"]["response"]}
    facts = {"name": record.name, **applied}
    return write_frames(patterns, codes, folder, bits=job.light.bits, motion=job.turn.motion, facts=facts)


def summary(record: Record, path: Path) -> str:
    """What a person should know of a design, as text. See report/summary.py."""
    from lightlathe.report.summary import summary

    return summary(record, path, job_of(record).resin.at(record.patterns.exposure_s), exposure_lines(record), CAUTIONS)


def picture(record: Record, path: Path) -> Path:
    """Draw the middle slices of a record; returns the path. See report/pictures.py."""
    from lightlathe.report.pictures import draw

    resin = job_of(record).resin.at(record.patterns.exposure_s)
    return draw(record.part, record.prediction, path, record.fine, gel_mj_cm3=resin.gel_mj_cm3, title=record.name)
