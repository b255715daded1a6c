"""Before resin is poured, and after a print came out: will it work, and what to try next."""

import dataclasses
import logging
import math
from collections.abc import Sequence
from typing import Any

import torch

from lightlathe import judge
from lightlathe.errors import JobError, PartError
from lightlathe.job import Job
from lightlathe.judge import LONGEST_S, Case, ExposurePlan, Machine, NextExposure, Verdict
from lightlathe.memory import free_bytes
from lightlathe.part import Surface, ThinReport, level_ends, thin_walls
from lightlathe.prediction import job_of, predict
from lightlathe.prepare import Solid, device_of, lay_out, load_solids, patterns_of, require_memory, voxels
from lightlathe.quantities import Grid
from lightlathe.result import Record
from lightlathe.shadow import even_shadow
from lightlathe.solve import copies
from lightlathe.watching import doing
from lightlathe.words import amount

log = logging.getLogger(__name__)

UNSTATED_PERCENT = (
    10.0  # what a threshold is taken to be known to where the job does not say (common practice, no source)
)
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
        what = form.report.text() if isinstance(form, Surface) else type(form).__name__.lower()
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


def next_exposure(record: Record, came_out: str, exposure_s: float | None = None) -> NextExposure:
    """The exposure to try after a print of `record` came out as said, e.g. "too thin by 0.1 mm".

    exposure_s   the exposure that was used; the planned one where None
    """
    planned = record.patterns.exposure_s
    used = planned if exposure_s is None else exposure_s
    if not (math.isfinite(used) and used > 0):
        raise JobError(f"the exposure is {used} s; expected a time above 0.")
    dose, job = record.prediction.dose * (used / planned), job_of(record)
    resin = job.resin.at(used)
    return judge.next_exposure(
        dose,
        record.part,
        used,
        planned / record.patterns.turns,
        came_out,
        stated=(resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3),
        longest_s=job.turn.max_exposure_s or LONGEST_S,
    )


def exposure_lines(record: Record) -> list[str]:
    """The exposure, its margins, what an imperfectly known resin makes of them, and a bracketing series."""
    plan, job = plan_of(record), job_of(record)
    resin = job.resin
    banded = record.part.whole is not None
    voxels = f"of {record.part.grid.voxel_mm:g} mm" + (" less the tolerance band" if banded else "")
    voxels += " under every scenario of [design.robust]" if is_robust(record) else ""
    around = not math.isnan(record.quality["over_cure_fraction"])
    lines = plan.text(voxels, on_finer(record), around=around).splitlines()
    doses, absorption = resin.doses_known_to_percent, resin.absorption_known_to_percent or 0.0
    if doses is None:
        doses, said = unstated(resin.at(plan.exposure_s))
        lines.append(f"how well the threshold is known is not stated ([resin] doses_known_to_percent); {said}:")
    windows = windows_of(record, resin)
    if record.quality["window_relative"] > 0 and (resin.doses_known_to_percent is not None or absorption):
        gel = resin.at(plan.exposure_s).gel_mj_cm3
        lines.append(judge.spread(plan.exposure_s, windows, gel, doses, absorption).text())
    known = f"a threshold known to {amount(doses)} %" + (
        f" and an absorption known to {amount(absorption)} %" if absorption else ""
    )
    series = judge.bracket(
        plan,
        doses,
        windows,
        known=known,
        images=len(record.patterns.angle_rad),
        longest_s=job.turn.max_exposure_s or LONGEST_S,
        steady=judge.is_steady(resin, plan.exposure_s),
    )
    return [*lines, series.text()]


def unstated(resin: Any) -> tuple[float, str]:
    """What a threshold is taken to be known to where the job does not say, in percent and in words."""
    low, high = resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3
    apart = 100 * (high - low) / (high + low)
    if low > 0 and apart > UNSTATED_PERCENT:
        return apart, f"with the {amount(apart)} % by which the resin's two doses differ from their middle"
    return UNSTATED_PERCENT, f"with {UNSTATED_PERCENT:g} %"


def on_finer(record: Record) -> str:
    """Whether any exposure prints the whole shape right on the finer grid; nothing where it was not judged there."""
    q = record.quality
    if "iou_fine" not in q:
        return ""
    words = f"on the finer grid of {record.part.grid.voxel_mm / record.settings['grid']['finer']:g} mm"
    if q["window_relative_fine"] > 0:
        low, high = q["window_low_mj_cm3_fine"], q["window_high_mj_cm3_fine"]
        return f"{words} every threshold from {low:.1f} to {high:.1f} mJ/cm3 prints the whole shape right"
    if q["wrong_voxels_fine"] == 0:
        return f"{words} this exposure prints all of the shape right"
    return f"{words} no exposure is right everywhere, this one for {q['iou_fine']:.4f} of 1"


def is_robust(record: Record) -> bool:
    """Whether the design had scenarios to survive."""
    return record.settings.get("design", {}).get("robust") is not None


def plan_of(record: Record) -> ExposurePlan:
    """The exposure plan that a record's figures hold."""
    values = {f.name: record.quality.get(f.name, math.nan) for f in dataclasses.fields(ExposurePlan)}
    whole: dict[str, Any] = {
        name: kind(values[name]) for name, kind in (("turns", int), ("sure", bool), ("reachable", bool))
    }
    return ExposurePlan(**(values | whole))


@doing("what the resin's uncertainty does")
def windows_of(record: Record, resin: Any) -> list[tuple[float, float]]:
    """(most dose outside, least inside) at the planned exposure, for absorptions evenly over the resin's interval."""
    windows = []
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0) if resin.absorption_known_to_percent else (0.0,):
        factor = 1 + share * (resin.absorption_known_to_percent or 0.0) / 100
        other = dataclasses.replace(resin, absorption_per_mm=resin.absorption_per_mm * factor)
        q = record.quality if share == 0 else predict(record, resin=other, finer=False).quality
        windows.append((q["window_low_mj_cm3"], q["window_high_mj_cm3"]))
    return windows
