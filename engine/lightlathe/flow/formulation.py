"""The optimisation problem of a job and its initial guess: plain, with scenarios, coarse to fine."""

import dataclasses
import math

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.families.linear_map import doses
from lightlathe.flow.counting import voxels
from lightlathe.flow.operators import on_coarser
from lightlathe.flow.prepare import Setup
from lightlathe.flow.recorded import axis_offset_pixels
from lightlathe.job import Job
from lightlathe.losses import weighted
from lightlathe.part import coverage
from lightlathe.quantities import LIQUID, SOLID, Light, at_hand, unpacked_from
from lightlathe.solve import Earlier, Problem, Scenarios, Start, normalised, patterns_for, repeated
from lightlathe.support.watching import doing, step


def problem_of(setup: Setup) -> Problem:
    """The design problem of a job, in units in which even light of 1 gives the part a mean dose of 1."""
    design = setup.job.design
    target = setup.target
    operator = normalised(setup.in_design, target, setup.slabs.dose)
    if design.weight == "coverage" or design.part_weight != 1 or wants_doses(setup.job):
        target = target.unpacked()  # weights and wanted doses lie in memory as a whole
    if design.weight == "coverage" or design.part_weight != 1:
        covered = unpacked_from(setup.part.coverage).to(setup.where) if design.weight == "coverage" else None
        target = weighted(target, coverage=covered, solid=design.part_weight)
    target = dataclasses.replace(target, dose=wanted_doses(setup))
    return Problem(operator, design.loss, target, limit=design.level_limit, penalties=tuple(design.penalties))


def wants_doses(job: Job) -> bool:
    """Whether a job is graded: some solid wants a dose of its own."""
    return any(table.wanted_dose is not None for table in job.parts)


def wanted_doses(setup: Setup) -> Tensor | None:
    """(x, y, z) in units of the gel dose: the dose that each solid of a graded job wants; None without any.

    A voxel shared by two solids takes the dose of the one that fills more of it, or of the later one.
    """
    job = setup.job
    if not wants_doses(job):
        return None
    part_dose: float | None = getattr(job.design.loss, "part_dose", None)
    if part_dose is None:
        raise JobError(
            f"wanted_dose in [part] takes a loss that aims at doses; loss in [design] is {job.design.loss!r}.\n"
            '  loss = "dose_corridor" or "squared_error" does.'
        )
    if job.design.rounding_iterations:
        raise JobError(
            "rounding_iterations widens the window, wanted_dose in [part] asks for doses; expected one of the two."
        )
    if job.resin.at(1.0) != job.resin.at(1000.0):
        raise JobError(
            "wanted_dose in [part] takes a resin with a fixed gel dose; this one's depends on the exposure time."
        )
    wanted = torch.full(setup.part.grid.shape, part_dose, device=setup.where)
    largest = torch.zeros_like(wanted)
    for table, solid in zip(job.parts, setup.solids, strict=True):
        if table.role == "part":
            covered = coverage(solid.form, setup.part.grid, device=setup.where)
            dose = part_dose if table.wanted_dose is None else table.wanted_dose
            wanted = torch.where((covered >= largest) & (covered > 0), dose, wanted)
            largest = torch.maximum(largest, covered)
    return wanted


def coarser_problem(setup: Setup, by: float) -> Problem:
    """The design problem of a job on voxels `by` times larger, a coarse stage of [design.ladder]."""
    grid = setup.part.grid.coarser(by)
    part = voxels(setup.job, setup.solids, grid, setup.device, setup.slabs.dose)
    return problem_of(dataclasses.replace(setup, part=part, in_design=on_coarser(setup.in_design, grid)))


@doing("the light to start from")
def start_of(setup: Setup, problem: Problem) -> Tensor | Start:
    """The initial guess of a design; in slabs what gives that of each."""
    start = setup.job.design.start
    if isinstance(start, Earlier):
        from lightlathe.result import read_result  # h5py is loaded when a file is read

        record = read_result(setup.job.path(start.result))
        earlier, chords = record.patterns, None if record.optics is None else record.optics.chords
        (column, row), pixel_mm = earlier.field.middle, earlier.pixel_mm
        middle, column_mm = (column + axis_offset_pixels(record), row), pixel_mm
        if chords is not None and chords.crossing and len(chords.offset_mm) > 1:
            # columns lie elsewhere in the resin; their directions are let be
            column_mm = float(chords.offset_mm[-1] - chords.offset_mm[0]) / (len(chords.offset_mm) - 1)
        return patterns_for(
            problem, earlier.fractions(), earlier.angle_rad, pixel_mm, middle, column_mm=column_mm,
            slices=setup.slabs.dose,
        )  # fmt: skip
    return start(problem) if setup.slabs.design is None else start


def robust_problem(setup: Setup, plain: Problem) -> Problem | None:
    """The same problem under every scenario of [design.robust]; None where the job names none.

    The loss sees the voxels of all scenarios at once, so a loss of the worst voxel designs for the worst case.
    """
    if setup.job.design.robust is None:
        return None
    scenarios = Scenarios(setup.design_scenarios).scaled(plain.operator.gain)
    count = len(scenarios.members)
    return dataclasses.replace(plain, operator=scenarios, target=repeated(plain.target, count))


def worst_case(setup: Setup, patterns: Light, gain: float) -> list[tuple[float, float]]:
    """(max dose outside, min dose inside) under each scenario, in the unit of `gain`; the plain one without any.

    Of the motion that the stage makes.
    """
    part, found = at_hand(setup.part.judged.to(setup.where), setup.device), []
    for operator, scale in setup.turning_scenarios:
        step()
        max_outside, min_inside = -math.inf, math.inf
        for taken, dose in doses(operator.scaled(gain * scale), patterns, setup.slabs.dose):
            judged = part[:, :, taken].to(dose.device)
            max_outside = max(max_outside, float(torch.where(judged == LIQUID, dose, -torch.inf).amax()))
            min_inside = min(min_inside, float(torch.where(judged == SOLID, dose, torch.inf).amin()))
        found.append((max_outside, min_inside))
    return found
