"""The feasibility check: whether a job can work, in seconds, before any design."""

import dataclasses
import logging
import math
from collections.abc import Sequence

import torch

from lightlathe.errors import JobError, PartError
from lightlathe.feasibility.case import Case
from lightlathe.feasibility.extent import Extent
from lightlathe.feasibility.machine import Machine
from lightlathe.feasibility.measured import kept_speeds
from lightlathe.feasibility.parts import thinnest
from lightlathe.feasibility.questions import verdict_on
from lightlathe.flow.beside_inserts import beside_inserts
from lightlathe.flow.counting import voxels
from lightlathe.flow.devices import device_of, require_memory
from lightlathe.flow.lit import field_of
from lightlathe.flow.operators import absorbers_of, optics_of, shadows_of
from lightlathe.flow.solids import Solid, lay_out, load_solids
from lightlathe.flow.through import require_through, spans_of
from lightlathe.job import Job
from lightlathe.judge import Verdict
from lightlathe.part import ThinReport, level_ends
from lightlathe.quantities import Grid
from lightlathe.support.memory import free_bytes
from lightlathe.support.watching import doing

log = logging.getLogger(__name__)

CHECK_VOXELS = 2e7  # on larger grids the check judges the part on coarser voxels, to answer in seconds
CHECK_ACROSS = 2_000  # voxels along any axis (long, thin grids): some work is done slice by slice
FEW_SOLIDS = 10  # with more, a coarser grid is used: every solid is counted on the whole grid


@doing("checking whether it can work")
def check(
    job: Job,
    solids: tuple[Solid, ...] | None = None,
    machine: Machine | None = None,
    thin: Sequence[ThinReport] | None = None,
) -> Verdict:
    """Whether a job can work, what limits it and what would help most; a few seconds, nothing is designed.

    solids    the job's parts where they have been read already
    machine   that the design would run on; this one where None
    thin      what `thinnest` found of its parts, where that is known already
    """
    solids = solids or load_solids(job)[0]
    job.load(design=False)
    return verdict_on(case_of(job, solids, machine, thin))


def can_start(job: Job, verdict: Verdict, solids: tuple[Solid, ...]) -> bool:
    """Whether a design that the check advises against could begin: every part in its place, and two volumes fit."""
    if any(reason.level == "cannot work" for reason in verdict.of("place")):
        return False
    try:
        grid = lay_out(job, solids).grid
        require_memory(grid, device_of(job), job.turn.angles * field_of(job, solids, grid).lit_pixels)
    except JobError:
        return False
    return True


def check_grid(grid: Grid, solids: int) -> Grid:
    """The job's grid, or a coarser one where so many voxels and solids would take more than seconds."""
    look, coarser, max_voxels = grid, 1.0, CHECK_VOXELS / max(1.0, solids / FEW_SOLIDS)
    while look.voxels > max_voxels or max(look.shape) > CHECK_ACROSS:
        coarser *= 1.2
        look = grid.coarser(coarser)
    return look


def this_machine(job: Job) -> Machine:
    """The device that a job names here, as it is now. Raises JobError."""
    device = device_of(job)
    main = free_bytes(torch.device("cpu")) if device.type == "cuda" else None
    return Machine(
        device.type, free_bytes(device), kept_speeds(device), cores=torch.get_num_threads(), main_free_bytes=main
    )


def case_of(
    job: Job, solids: tuple[Solid, ...], machine: Machine | None = None, thin: Sequence[ThinReport] | None = None
) -> Case:
    """The inputs of the check for a job, on this machine unless another is given. Raises JobError."""
    part = seen(job, solids, thin)
    straight = optics_of(job).straight_rays and not (part.beside is not None and part.beside.shaded)
    machine = machine or this_machine(job)
    return Case(
        job.vial, job.resin, job.light, job.turn, job.grid, part, job.design, machine,
        index_assumed="resin.refractive_index" in job.assumed, straight_rays=straight,
    )  # fmt: skip


def seen(job: Job, solids: tuple[Solid, ...], thin: Sequence[ThinReport] | None = None) -> Extent:
    """The extent of a job's part in the vial."""
    parts = [solid.form for solid in solids if solid.role == "part"]
    layout = lay_out(job, solids)
    grid = check_grid(layout.grid, len(solids))
    violations, possible_mistakes, helps, question = [], [], [], ""
    for solid, report in zip(solids, layout.fits, strict=True):
        (violations if solid.role == "part" else possible_mistakes).extend(report.problems)
        helps += report.helps if solid.role == "part" else ()
        question = question or report.unit_question
        possible_mistakes += report.notes if report.unit_question else ()
    walls = [found.thinnest_mm for found in (thinnest(job, solids) if thin is None else thin)]
    low = min(float(p.bounds_mm[0, 2]) for p in parts)
    high = max(float(p.bounds_mm[1, 2]) for p in parts)
    part = Extent(
        radius_mm=max(p.reach_mm for p in parts),
        height_mm=high - low,
        top_mm=max(abs(low), abs(high)),
        thinnest_mm=min((mm for mm in walls if math.isfinite(mm)), default=None),
        level_ends_mm=level_ends(parts),
    )
    beside = None
    try:
        counted = voxels(job, solids, grid, torch.device("cpu"))
        radius_mm, resin = job.vial.radius_mm, job.resin
        part, beside = part.seen_as(counted), beside_inserts(solids, counted, radius_mm, resin.absorption_per_mm)
        shadows, absorbers = shadows_of(counted, radius_mm), absorbers_of(counted, radius_mm)
        require_through(spans_of(solids), optics_of(job, shadows=shadows, absorbers=absorbers), grid)
    except PartError as problem:
        wide = [words for words in possible_mistakes if words.startswith("The insert reaches")]
        if wide:  # it leaves nothing of the part, which is not to blame
            possible_mistakes = [words for words in possible_mistakes if words not in wide]
            violations += [f"{' '.join(wide)} Nothing of the part is left beside it."]
            helps += ["an insert that goes into the vial", "another unit of it"]
        else:
            violations.append(str(problem))
    return dataclasses.replace(
        part,
        beside=beside,
        violations=tuple(violations),
        helps=tuple(dict.fromkeys(helps)),
        unit_question=question,
        possible_mistakes=tuple(possible_mistakes),
    )
