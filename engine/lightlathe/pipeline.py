"""The whole flow on one page: job -> part voxels -> chords -> dose operator -> design -> patterns -> prediction.

Read this first. The stages do not know each other; this module connects them. What is made of the record: outputs.py.
"""

import logging
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import torch

from lightlathe.feasibility import check
from lightlathe.flow.certificate import Certificate
from lightlathe.flow.findings import judged, with_figures
from lightlathe.flow.formulation import problem_of, robust_problem
from lightlathe.flow.prediction import predict
from lightlathe.flow.prepare import Setup, prepare
from lightlathe.flow.provenance import facts_of
from lightlathe.flow.quantisation import expose
from lightlathe.flow.recorded import job_of
from lightlathe.flow.remedies import Remedy, proven
from lightlathe.flow.settings import own_of, settings_of
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.flow.stages import Checkpoint, Found, Log, run_stages
from lightlathe.job import Job, job_in
from lightlathe.outputs import (
    as_json,
    calibration,
    figures,
    frames,
    picture,
    player,
    report,
    summary,
    surface,
    video,
    volume,
)  # fmt: skip
from lightlathe.quantities import let_go
from lightlathe.report.advice import advised
from lightlathe.report.warnings import warnings_of
from lightlathe.result import Record
from lightlathe.solve import Problem
from lightlathe.support.ranks import HelpedOut, ranks
from lightlathe.support.watching import Watcher, watched

log = logging.getLogger(__name__)
__all__ = [
    "as_json", "calibration", "check", "design", "figures", "frames", "job_of", "picture", "player", "predict",
    "prepare", "report", "summary", "surface", "video", "volume",
]  # fmt: skip


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
    Raises         LightlatheError; HelpedOut in all but the first of several processes (support/ranks.py), whose
                   slabs are in the record of the first
    """
    with watched(on_stage):
        job = job_in(job)
        setup = setup or prepare(job)
        settings = settings_of(job, setup.solids)  # before an earlier result that it starts from can change
        while True:
            try:
                plain, found = _lit(setup, on_iteration, checkpoint, resume)
                break
            except torch.OutOfMemoryError:
                if setup.slabs.design == 1 or resume is not None or ranks().size > 1:
                    raise
                setup = setup.in_smaller_slabs()
                log.error("out of memory; the design begins anew, with %d slices at a time", setup.slabs.design)
                torch.cuda.empty_cache()
        while True:
            try:
                return _recorded(job, setup, settings, plain, found)
            except torch.OutOfMemoryError:
                if setup.slabs.dose == 1 or ranks().size > 1 or job.light.rows_spread:
                    raise
                setup = setup.judged_in_smaller_slabs()
                log.error("out of memory; the print is judged anew, %d slices at a time", setup.slabs.dose)
                torch.cuda.empty_cache()


def _lit(
    setup: Setup,
    on_iteration: Callable[[dict[str, float]], None] | None,
    checkpoint: Checkpoint | None,
    resume: tuple[dict[str, Any], Log] | None,
) -> tuple[Problem, Found]:
    """The plain problem, and the patterns that were found."""
    torch.manual_seed(setup.job.design.seed)
    plain = problem_of(setup)
    robust = robust_problem(setup, plain)
    return plain, run_stages(setup, plain, robust, on_iteration=on_iteration, checkpoint=checkpoint, resume=resume)


def _recorded(job: Job, setup: Setup, settings: dict[str, Any], plain: Problem, found: Found) -> Record:
    """The print of the patterns, in the levels of the projector, and how good it can be."""
    team, proof = ranks(), None
    if team.size == 1 or not team.first:  # of several processes one judges the print, another proves how good it can be
        proof = team.done_by(1, lambda: _proof(setup, found, plain))
    if not team.first:
        raise HelpedOut
    wants_doses = plain.target.dose is not None
    patterns, plan = expose(setup, found.patterns, plain.operator.gain if wants_doses else None)
    prediction = judged(setup, patterns, plan, plain, found)
    let_go(setup.part.judged)
    window, images = prediction.quality["window_relative"], job.turn.angles
    certificate, remedies = proof or team.told_by(1, None)
    if certificate is not None:
        prediction = with_figures(prediction, certificate.figures() | {"window_gap": certificate.upper_bound - window})
    said = [
        *setup.warnings,
        *warnings_of(setup, plan, prediction),
        *(
            []
            if setup.lightless_mm
            else advised(certificate, remedies, window, images=images, bits=job.light.level_bits)
        ),
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
        wanted=setup.wanted,
        own=own_of(job),
    )


def _proof(setup: Setup, found: Found, plain: Problem) -> tuple[Certificate | None, list[Remedy]]:
    return proven(setup, lambda: SliceDoses.lit(setup, found.patterns, plain.operator.gain), found.iterations)
