"""The whole flow on one page: job -> part voxels -> chords -> dose operator -> design -> patterns -> prediction.

Read this first. The stages do not know each other; this module connects them.
"""

import dataclasses
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch

from lightlathe.errors import JobError
from lightlathe.feasibility import check
from lightlathe.flow.certificate import proven
from lightlathe.flow.findings import judged, with_figures
from lightlathe.flow.formulation import problem_of, robust_problem
from lightlathe.flow.prediction import predict
from lightlathe.flow.prepare import Setup, prepare
from lightlathe.flow.provenance import facts_of
from lightlathe.flow.quantisation import expose
from lightlathe.flow.recorded import job_of, own_of, settings_of
from lightlathe.flow.stages import Checkpoint, Log, run_stages
from lightlathe.job import Job, job_in, resolved
from lightlathe.job.model import LONGEST_S
from lightlathe.judge import CAUTIONS
from lightlathe.projector import Codebook
from lightlathe.report.advice import advised
from lightlathe.report.exposure import exposure_lines
from lightlathe.report.warnings import warnings_of
from lightlathe.result import Record
from lightlathe.support.watching import Watcher, watched
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
    """Design the patterns of a job and predict their print: the main entry point.

    job            a Job, the path of a job file, or its tables as a dict (`job_from`)
    on_iteration   called with the figures of each logged iteration; not in stages before the last (flow/stages.py)
    on_stage       called with the current activity and its progress; see support/watching.py
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
    settings = settings_of(job, setup.solids)  # before an earlier result that it starts from can change
    torch.manual_seed(job.design.seed)
    plain = problem_of(setup)
    robust = robust_problem(setup, plain)
    found = run_stages(setup, plain, robust, on_iteration=on_iteration, checkpoint=checkpoint, resume=resume)
    wants_doses = plain.target.dose is not None
    patterns, plan = expose(setup, found.patterns, plain.operator.gain if wants_doses else None)
    prediction = judged(setup, patterns, plan, plain, found)
    window = prediction.quality["window_relative"]
    dose = setup.turning.scaled(plain.operator.gain)(found.patterns)
    certificate, remedies = proven(setup, dose, found.iterations)
    if certificate is not None:
        prediction = with_figures(prediction, certificate.figures() | {"window_gap": certificate.upper_bound - window})
    said = [
        *setup.warnings,
        *warnings_of(setup, plan, prediction),
        *advised(certificate, remedies, window, images=job.turn.angles, bits=job.light.bits),
    ]
    return Record(
        name=job.name,
        job_toml=job.text,
        settings=settings,
        part=setup.part.to("cpu"),
        patterns=patterns,
        prediction=prediction,
        vial_radius_mm=job.vial.radius_mm,
        facts=facts_of(setup, found),
        log=found.log,
        log_before=found.log_before,
        warnings=tuple(said),
        fine=None if setup.fine is None else setup.fine.to("cpu"),
        optics=setup.optics,
        own=own_of(job),
    )


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
    book = Codebook.of(job.light.bits, job.light.response)
    codes, dark = book.codes_of(record.patterns.levels.numpy()), int(book.codes_of(np.zeros(1, np.int64))[0])
    applied = {"vial_turns_seen_from_above": job.turn.sense, "response_undone": resolved(job)["light"]["response"]}
    facts = {"name": record.name, **applied}
    return write_frames(patterns, codes, folder, bits=job.light.bits, motion=job.turn.motion, facts=facts, dark=dark)


def summary(record: Record, path: Path) -> str:
    """The summary of a design, as text. See report/summary.py."""
    from lightlathe.report.summary import summary

    return summary(record, path, job_of(record).resin.at(record.patterns.exposure_s), exposure_lines(record), CAUTIONS)


def picture(record: Record, path: Path) -> Path:
    """Draw the middle slices of a record; returns the path. See report/pictures.py."""
    from lightlathe.report.pictures import draw

    resin = job_of(record).resin.at(record.patterns.exposure_s)
    return draw(record.part, record.prediction, path, record.fine, gel_mj_cm3=resin.gel_mj_cm3, title=record.name)
