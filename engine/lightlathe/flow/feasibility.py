"""Before resin is poured: will it work, and if not, why."""

import dataclasses
import logging
import math
from collections.abc import Sequence
from typing import Any

import torch

from lightlathe import judge
from lightlathe.errors import JobError, PartError
from lightlathe.families import Resin, Shape
from lightlathe.flow.prepare import Solid, device_of, lay_out, load_solids, patterns_of, require_memory, voxels
from lightlathe.flow.shadow import even_shadow
from lightlathe.job import Job
from lightlathe.judge import LONGEST_S, Case, Machine, Verdict
from lightlathe.part import Surface, ThinReport, level_ends, thin_walls
from lightlathe.quantities import Grid
from lightlathe.solve import copies
from lightlathe.support.memory import free_bytes
from lightlathe.support.own import OwnMember
from lightlathe.support.watching import doing
from lightlathe.support.words import amount

log = logging.getLogger(__name__)

LOOK_VOXELS = 2e7  # on larger grids the check judges the part on coarser voxels, to answer in seconds
LOOK_ACROSS = 2_000  # voxels along any axis, for grids like a needle: some work is done slice by slice
FEW_SOLIDS = 10  # with more, the grid it looks at has fewer voxels: every solid is counted into all of them


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
    return judge.check(case_of(job, solids, machine, thin))


def thinnest(job: Job, solids: tuple[Solid, ...]) -> tuple[ThinReport, ...]:
    """The thinnest walls of each part; seconds for a mesh of a million facets."""
    grid, inserts = lay_out(job, solids).grid, [s.form for s in solids if s.role == "insert"]
    return tuple(thin_walls(s.form, grid, inserts) for s in solids if s.role == "part")


def can_start(job: Job, verdict: Verdict, solids: tuple[Solid, ...]) -> bool:
    """Whether a design that the check advises against could begin: every part in its place, and two volumes fit."""
    if any(reason.level == "cannot work" for reason in verdict.of("place")):
        return False
    try:
        require_memory(lay_out(job, solids).grid, device_of(job), patterns_of(job))
    except JobError:
        return False
    return True


def machine_here(job: Job) -> Machine:
    """What this machine offers on the device that the job asks for; JobError where it has no such device."""
    device = device_of(job)
    return Machine(device.type, free_bytes(device))


@doing("looking at the parts")
def parts_lines(
    job: Job, solids: tuple[Solid, ...], said: list[str], thin: Sequence[ThinReport] | None = None
) -> list[str]:
    """What was understood of each part: size, facets, bodies, repairs, clearances, thinnest wall; then warnings.

    thin   what `thinnest` found, where that is known already
    """
    lines, problems = [], list(said)
    layout = lay_out(job, solids)
    walls = iter(thinnest(job, solids) if thin is None else thin)
    for solid, fitting in zip(solids, layout.fits, strict=True):
        form = solid.form
        what = form.report.text() if isinstance(form, Surface) else _name_of(form)
        alike = [other for other in solids if other.role == solid.role]
        number = f" {1 + next(n for n, other in enumerate(alike) if other is solid)}" if len(alike) > 1 else ""
        lines.append(f"{solid.role}{number}: {what}")
        size = " x ".join(f"{amount(s, 4)}" for s in fitting.size_mm)
        lines.append(
            f"  as placed {size} mm; {amount(fitting.wall_clearance_mm, 3)} mm to the vial's wall, "
            f"{amount(fitting.field_clearance_mm, 3)} mm to the edge of the light"
        )
        problems += fitting.notes
        if solid.role == "part":
            found = next(walls)
            lines.append(f"  thinnest wall {amount(found.thinnest_mm, 3)} mm, voxels of {layout.grid.voxel_mm:g} mm")
            problems += found.warnings
    return lines + [f"warning: {text}" for text in problems]


def look_at(grid: Grid, solids: int) -> Grid:
    """The job's grid, or a coarser one where so many voxels and solids would take more than seconds."""
    look, coarser, most = grid, 1.0, LOOK_VOXELS / max(1.0, solids / FEW_SOLIDS)
    while look.voxels > most or max(look.shape) > LOOK_ACROSS:
        coarser *= 1.2
        look = grid.coarser(coarser)
    return look


def case_of(
    job: Job,
    solids: tuple[Solid, ...],
    machine: Machine | None = None,
    thin: Sequence[ThinReport] | None = None,
) -> Case:
    """The numbers of a job that decide whether it can work, on this machine where no other is given."""
    machine = machine or machine_here(job)
    parts = [solid.form for solid in solids if solid.role == "part"]
    layout = lay_out(job, solids)
    look = look_at(layout.grid, len(solids))
    misfits, doubts, helps = [], [], []
    for solid, report in zip(solids, layout.fits, strict=True):
        (misfits if solid.role == "part" else doubts).extend(report.problems)
        helps += report.helps if solid.role == "part" else ()
    walls = [found.thinnest_mm for found in (thinnest(job, solids) if thin is None else thin)]
    low = min(float(p.bounds_mm[0, 2]) for p in parts)
    high = max(float(p.bounds_mm[1, 2]) for p in parts)
    known: dict[str, Any] = {}
    shadow = None
    try:
        part = voxels(job, solids, look, torch.device("cpu"))
    except PartError as problem:
        misfits.append(str(problem))
    else:
        known = judge.extent_of(part)
        known["slice_voxel_mm"] = look.voxel_mm
        try:
            shadow = even_shadow(job, solids, look)
        except PartError as problem:  # too thin for the coarser voxels there
            doubts.append(f"The shadow of the insert could not be estimated: {problem}")
    known |= {"part_radius_mm": max(p.reach_mm for p in parts), "part_height_mm": high - low}
    resin, light, turn, design = job.resin, job.light, job.turn, job.design
    scenarios = 0
    if design.robust is not None:  # a plain design goes before; each scenario then takes a volume of every kind
        scenarios = 1 + math.prod(len(values) for values in dataclasses.astuple(design.robust))
    arrays, volumes = copies(design.solver, design.loss, machine.device)
    return Case(
        vial_radius_mm=job.vial.radius_mm,
        resin_height_mm=job.vial.resin_height_mm,
        absorption_per_mm=resin.absorption_per_mm,
        liquid_below_mj_cm3=resin.liquid_below_mj_cm3,
        solid_above_mj_cm3=resin.solid_above_mj_cm3,
        pixel_mm=light.pixel_mm,
        columns=light.columns,
        rows=light.rows,
        bits=light.bits,
        wavelength_nm=light.wavelength_nm or getattr(resin, "wavelength_nm", None),
        refractive_index=resin.refractive_index,
        irradiance_mw_cm2=light.irradiance_mw_cm2,
        voxel_mm=job.grid.voxel_mm,
        angles=turn.angles,
        turn_s=turn.seconds_per_turn,
        continuous=turn.motion == "continuous",
        iterations=design.iterations * (1 + scenarios),
        pattern_copies=arrays,
        volume_copies=volumes * max(1, scenarios),
        level_limit=design.level_limit,
        max_exposure_s=turn.max_exposure_s or LONGEST_S,
        viscosity_pa_s=resin.viscosity_pa_s,
        density_rise_kg_m3=resin.density_rise_kg_m3,
        double_bonds_mol_m3=resin.double_bonds_mol_m3,
        doses_over_s=getattr(resin, "planned_exposure_s", None),
        doses_at=None if resin.at(1.0) == resin.at(1000.0) else lambda seconds: _doses(resin.at(seconds)),
        margin_voxels=job.grid.margin_voxels,
        finer=job.grid.finer,
        shadow_lost=None if shadow is None else shadow.lost,
        shadow_text="" if shadow is None else shadow.text(),
        thinnest_mm=min((mm for mm in walls if math.isfinite(mm)), default=None),
        level_ends_mm=level_ends(parts),
        misfits=tuple(misfits),
        helps=tuple(dict.fromkeys(helps)),
        doubts=tuple(doubts),
        **known,
        **machine.of_case(),
    )


def _name_of(form: Shape) -> str:
    return form.name if isinstance(form, OwnMember) else type(form).__name__.lower()


def _doses(resin: Resin) -> tuple[float, float]:
    return resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3
