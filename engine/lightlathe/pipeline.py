"""The whole flow on one page: job -> part voxels -> chords -> dose operator -> design -> patterns -> prediction.

Read this first. The stages do not know each other; this module connects them.
"""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import torch

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
from lightlathe.job import Job, job_in
from lightlathe.judge import CAUTIONS
from lightlathe.report.advice import advised
from lightlathe.report.exposure import exposure_lines
from lightlathe.report.warnings import warnings_of
from lightlathe.result import Record
from lightlathe.solve import Problem
from lightlathe.support.ranks import HelpedOut, ranks
from lightlathe.support.watching import Watcher, watched
from lightlathe.support.words import amount, count

log = logging.getLogger(__name__)
__all__ = [
    "as_json", "calibration", "check", "design", "figures", "frames", "picture", "player", "predict", "prepare",
    "report", "summary", "surface", "video", "volume",
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
    return proven(setup, SliceDoses.lit(setup, found.patterns, plain.operator.gain), found.iterations)


def frames(
    record: Record,
    folder: Path,
    exposure_s: float | None = None,
    *,
    form: str = "png",
    whole_exposure: bool = False,
    replace: bool = False,
) -> Path:
    """Write the frames of a record for the projector; returns the manifest's path. See export/frames.py.

    exposure_s       another time than planned, in as many turns
    form             "png", "tiff" or "npy"
    whole_exposure   all turns one after another instead of one to repeat
    replace          frames that were written there before are replaced
    """
    from lightlathe.export.frames import write_frames
    from lightlathe.flow.projected import images_of

    return write_frames(images_of(record, exposure_s, whole_exposure=whole_exposure), folder, form, replace=replace)


def video(
    record: Record,
    path: Path,
    exposure_s: float | None = None,
    *,
    coding: str | None = None,
    whole_exposure: bool = False,
    replace: bool = False,
) -> tuple[Path, tuple[str, ...]]:
    """Write the frames of a record as a video; returns its path and what to know of it. See export/video.py.

    exposure_s, whole_exposure, replace   as in `frames`
    coding                                "ffv1", "h264_lossless" or "h264"; by the file's ending where None
    """
    from lightlathe.export.video import write_video
    from lightlathe.flow.projected import images_of

    return write_video(images_of(record, exposure_s, whole_exposure=whole_exposure), path, coding, replace=replace)


def player(record: Record, folder: Path, exposure_s: float | None = None, *, replace: bool = False) -> Path:
    """Write a page that plays the frames of a record in a browser; returns its path. See export/player.py."""
    from lightlathe.export.player import write_player
    from lightlathe.flow.projected import images_of

    return write_player(images_of(record, exposure_s), folder, replace=replace)


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


def as_json(record: Record, path: Path) -> dict[str, Any]:
    """What the summary says, as plain values for JSON. See report/as_json.py."""
    from lightlathe.report.as_json import as_json

    return as_json(record, path, job_of(record).resin.at(record.patterns.exposure_s), exposure_lines(record), CAUTIONS)


def report(records: Iterable[Record], results: Sequence[Path | None], path: Path) -> Path:
    """Write an HTML page of a record, or of several side by side; returns its path. See report/page/build.py.

    records   taken one by one, so that only one result's volumes need be in memory
    results   their files, None for one that has none
    """
    from lightlathe.report.page.build import page_of
    from lightlathe.report.page.document import require_page, write_page
    from lightlathe.report.page.libraries import marching_cubes
    from lightlathe.report.page.side_by_side import page_of_several

    require_page(path)
    marching_cubes()
    if len(results) == 1:
        (record,) = records
        return write_page(page_of(record, results[0]), path)
    return write_page(page_of_several(records, results), path)


def surface(record: Record, path: Path, frame: Literal["part", "vial"] = "part") -> str:
    """Write the predicted surface as STL, PLY, 3MF or GLB; returns what was written, in words.

    frame   "part": in the coordinates and unit of the part's mesh, so that it lies on it; "vial": in mm in the vial
    """
    from lightlathe.export.isosurface import print_surface
    from lightlathe.export.solid_files import Solid, write_solid, writer_for
    from lightlathe.flow.part_frame import VIAL, part_frame
    from lightlathe.judge.surface_distance import distances_from

    writer_for(path)
    placed, part = VIAL if frame == "vial" else part_frame(record), record.part
    mesh = print_surface(record.prediction.dose, gel_dose(record), part.grid, part.insert)
    error_mm = distances_from(mesh.vertices_mm, part, record.wanted)
    solid = Solid(
        placed.points(mesh.vertices_mm), mesh.faces, placed.unit, placed.mm_per_unit, error_mm,
        record.patterns.pixel_mm, f"{record.name}: predicted print, in {placed.unit}, {placed.words}",
    )  # fmt: skip
    unit = "m, as GLB asks" if Path(path).suffix.lower() == ".glb" else placed.unit
    size = f"{count(len(mesh.faces), 'triangle')}, {amount(mesh.volume_mm3, 4)} mm3"
    return f"{write_solid(path, solid)}: {size}, in {unit}, {placed.words}"


def volume(record: Record, path: Path) -> str:
    """Write dose, cured and wanted as .vti or .nrrd, in mm in the vial's frame; returns what was written, in words."""
    from lightlathe.export.volume_files import Volume, write_volumes

    part, print_ = record.part, record.prediction
    volumes = [
        Volume("dose_mJ_per_cm3", print_.dose),
        Volume("cured_1_solid_0_liquid", print_.solid),
        Volume("wanted_covered_fraction", part.coverage),
    ]
    files = write_volumes(path, volumes, part.grid, record.name)
    names = ", ".join(volume.name for volume in volumes)
    return f"{', '.join(map(str, files))}: {names}; voxels of {part.grid.voxel_mm:g} mm, the vial's frame"


def picture(record: Record, path: Path) -> Path:
    """Draw the middle slices of a record; returns the path. See report/pictures.py."""
    from lightlathe.report.pictures import draw

    return draw(record.part, record.prediction, path, record.fine, gel_mj_cm3=gel_dose(record), title=record.name)


def figures(
    record: Record,
    folder: Path,
    *,
    form: str = "png",
    slices: Sequence[str] = (),
    line: Sequence[float] | None = None,
    replace: bool = False,
) -> list[Path]:
    """Write figures of a record for print, with their numbers as CSV; returns their paths. See report/figures/.

    form     "png", "svg" or "pdf"
    slices   slices beside the usual ones: "z=1.2"
    line     x, y, z to x, y, z in mm: the dose along it
    replace  figures that were written there before are replaced
    """
    from lightlathe.report.figures.scene import Scene
    from lightlathe.report.figures.write import write_figures

    resin = job_of(record).resin.at(record.patterns.exposure_s)
    doses = resin.liquid_below_mj_cm3, resin.gel_mj_cm3, resin.solid_above_mj_cm3
    scene = Scene(record.name, record.part, record.prediction, record.fine, record.vial_radius_mm, *doses)
    return write_figures(scene, folder, form, slices, line, replace=replace)


def gel_dose(record: Record) -> float:
    """The dose at which a record's resin turns solid in its exposure, mJ/cm3."""
    return job_of(record).resin.at(record.patterns.exposure_s).gel_mj_cm3
