"""The whole flow on one page: job -> part voxels -> chords -> dose operator -> design -> patterns -> prediction.

Read this first. The stages do not know each other; this module connects them.
"""

import dataclasses
import logging
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch

from lightlathe.errors import JobError
from lightlathe.feasibility import check
from lightlathe.flow.certificate import Certificate, Remedy, proven
from lightlathe.flow.findings import judged, with_figures
from lightlathe.flow.formulation import problem_of, robust_problem
from lightlathe.flow.prediction import predict
from lightlathe.flow.prepare import Setup, prepare
from lightlathe.flow.provenance import facts_of
from lightlathe.flow.quantisation import expose
from lightlathe.flow.recorded import job_of, own_of, settings_of
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.flow.stages import Checkpoint, Found, Log, run_stages
from lightlathe.job import Job, job_in, resolved
from lightlathe.job.light import Light
from lightlathe.job.model import LONGEST_S
from lightlathe.judge import CAUTIONS
from lightlathe.projector import Codebook
from lightlathe.report.advice import advised
from lightlathe.report.exposure import exposure_lines
from lightlathe.report.warnings import warnings_of
from lightlathe.result import Record
from lightlathe.solve import Problem
from lightlathe.support.ranks import HelpedOut, ranks
from lightlathe.support.watching import Watcher, watched
from lightlathe.support.words import amount

log = logging.getLogger(__name__)
__all__ = ["calibration", "check", "design", "frames", "picture", "predict", "prepare", "summary"]

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
    Raises         LightlatheError; HelpedOut in all but the first of several processes (support/ranks.py), whose
                   slabs are in the record of the first
    """
    with watched(on_stage):
        job = job_in(job)
        setup = setup or prepare(job)
        while True:
            try:
                return _designed(job, setup, on_iteration, checkpoint, resume)
            except torch.OutOfMemoryError:
                if setup.slabs.design == 1 or resume is not None or ranks().size > 1:
                    raise
                setup = setup.in_smaller_slabs()
                log.error("out of memory; the design begins anew, with %d slices at a time", setup.slabs.design)
                torch.cuda.empty_cache()


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
    team, proof = ranks(), None
    if team.size == 1 or not team.first:  # of several processes one judges the print, another proves how good it can be
        proof = team.done_by(1, lambda: _proof(setup, found, plain))
    if not team.first:
        raise HelpedOut
    wants_doses = plain.target.dose is not None
    patterns, plan = expose(setup, found.patterns, plain.operator.gain if wants_doses else None)
    prediction = judged(setup, patterns, plan, plain, found)
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
        own=own_of(job),
    )


def _proof(setup: Setup, found: Found, plain: Problem) -> tuple[Certificate | None, list[Remedy]]:
    return proven(setup, SliceDoses.lit(setup, found.patterns, plain.operator.gain), found.iterations)


def frames(record: Record, folder: Path, exposure_s: float | None = None) -> Path:
    """Write the frames of a record for the projector; returns the manifest's path. See export/frames.py.

    exposure_s   another time than planned, in as many turns
    """
    from lightlathe.export.frames import write_frames
    from lightlathe.export.mounting import Mounting

    job, patterns = job_of(record), record.patterns
    if exposure_s is not None:
        if not (math.isfinite(exposure_s) and exposure_s > 0):
            raise JobError(f"the exposure is {exposure_s} s; expected a time above 0.")
        dwell_s, fastest_s = exposure_s / (patterns.turns * len(patterns.angle_rad)), FASTEST_S * job.light.planes
        if not fastest_s <= dwell_s <= LONGEST_S:
            raise JobError(
                f"an exposure of {exposure_s:g} s shows each of {len(patterns.angle_rad)} images for {amount(dwell_s)} "
                f"s; expected {fastest_s:g} s to a day in a turn. The planned exposure is {patterns.exposure_s:g} s."
            )
        patterns = dataclasses.replace(patterns, dwell_s=dwell_s)
    book = Codebook.of(job.light.bits, job.light.response, job.light.planes)
    codes, dark = book.codes_of(record.patterns.levels.numpy()), int(book.codes_of(np.zeros(1, np.int64))[0])
    applied = {"vial_turns_seen_from_above": job.turn.sense, "response_undone": resolved(job)["light"]["response"]}
    facts = {"name": record.name, **applied, **_illumination(job.light)}
    facts["axis_offset_pixels"] = job.light.axis_offset_pixels
    if job.light.frame_rate_hz is not None:
        each = patterns.dwell_s / job.light.planes * job.light.frame_rate_hz
        facts |= {"frame_rate_hz": job.light.frame_rate_hz, "frames_of_the_projector_each": each}
    mounting = Mounting(job.light.flip, job.light.rotate_deg)
    return write_frames(
        patterns,
        codes,
        folder,
        bits=job.light.bits,
        motion=job.turn.motion,
        facts=facts,
        dark=dark,
        mounting=mounting,
        planes=job.light.planes,
    )


def _illumination(light: Light) -> dict[str, Any]:
    """What a manifest says of the uneven light that the design allowed for: frames are shown as they are."""
    if light.relative_irradiance is None:
        return {}
    flat = light.illumination
    named = {} if flat is None else {"file": flat if isinstance(flat, str) else flat.name}
    dead = {"dead_columns": list(light.dead_columns), "dead_rows": list(light.dead_rows)}
    means = "irradiance_mw_cm2_at_full_code is that of the brightest place of the field; the levels allow for the rest"
    return {"illumination": {**named, **dead, "meaning": means}}


def calibration(job: Job, folder: Path) -> Path:
    """Write calibration frames for a job's projector, forms and a page; returns the page's path."""
    from lightlathe.export.calibration import ALIGNMENT, write_calibration
    from lightlathe.export.calibration_images import METER, Field, frame_lines
    from lightlathe.export.mounting import Mounting
    from lightlathe.flow.test_print import disc_print
    from lightlathe.report.calibration_page import page

    light = job.load(design=False).light
    field = Field(light.columns, light.rows, 2**light.bits - 1, (light.columns - 1) / 2 + light.axis_offset_pixels)
    columns = min(job.vial.inner_diameter_mm / light.pixel_mm, light.columns)
    strip = field.centred(max(4, round(columns / 4))), field.centred(max(2, round(columns / 40)))
    _, across, along = frame_lines(field)
    native = Mounting(light.flip, light.rotate_deg).native
    wide, narrow = (disc_print(job, columns, field.axis_column) for columns in strip)
    text = page(across, along, METER**2, ALIGNMENT, wide, narrow)
    return write_calibration(field, folder, bits=light.bits, page=text, strip=strip, native=native)


def summary(record: Record, path: Path) -> str:
    """The summary of a design, as text. See report/summary.py."""
    from lightlathe.report.summary import summary

    return summary(record, path, job_of(record).resin.at(record.patterns.exposure_s), exposure_lines(record), CAUTIONS)


def picture(record: Record, path: Path) -> Path:
    """Draw the middle slices of a record; returns the path. See report/pictures.py."""
    from lightlathe.report.pictures import draw

    resin = job_of(record).resin.at(record.patterns.exposure_s)
    return draw(record.part, record.prediction, path, record.fine, gel_mj_cm3=resin.gel_mj_cm3, title=record.name)
