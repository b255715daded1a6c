"""Reads a job file: TOML text -> Job, each error with file, table, key, what came and what was expected."""

import dataclasses
from pathlib import Path
from typing import Any

from lightlathe.beams import BEAMS
from lightlathe.errors import JobError
from lightlathe.job.model import Design, GridTable, Job, Light, Output, PartTable, Robust, Rung, Turn, Vial
from lightlathe.job.renamed import with_names_of_today
from lightlathe.job.tables import Where, build, choose_member, unknown
from lightlathe.job.toml import read_text, tables_of
from lightlathe.job.unlikely import require_meant, split_sure
from lightlathe.losses import LOSSES, PENALTIES, own_loss
from lightlathe.part.shapes import SHAPES
from lightlathe.projector import RESPONSES
from lightlathe.resins import RESINS
from lightlathe.solve import SOLVERS, STARTS, Earlier, StopRule
from lightlathe.support.own import OwnMember, is_own

TABLES = ("part", "vial", "resin", "light", "turn", "grid", "design", "output")
SCHEMA = (PartTable, Vial, Light, Turn, GridTable, Design, Output, Robust, Rung, StopRule)  # what tables become
MOST_PARTS = 1000  # every one is counted into every voxel
WIDEST_BAND = 0.1  # of the vial's diameter: a wider band along the surface leaves nothing to judge, and takes minutes
MADE_IN_PYTHON = "python:"  # how settings begin the name of what a program put into a job; no job file can
REQUIRED = ("part", "vial", "resin", "light", "turn", "grid")


def load_job(path: str | Path) -> Job:
    """The job in a TOML file. A byte-order mark and CRLF line ends are fine; paths are relative to the file.

    Raises JobError.
    """
    path = Path(path)
    text = read_text(path, "job")
    return parse_job(text, name=path.stem, folder=path.resolve().parent, file=path.name)


def parse_job(text: str, *, name: str, folder: Path, file: str = "job") -> Job:
    """The job in a TOML text; `folder` is where its relative paths start."""
    tables = tables_of(text, file)
    return job_from(tables, name=name, folder=folder, file=file, text=text)


def job_from(tables: dict[str, Any], *, name: str, folder: Path, file: str, text: str, ask: bool = True) -> Job:
    """The job in the tables of a job file, as TOML gives them or as `resolved` stored them.

    ask   about values that are hardly meant (unlikely.py); a job that was designed already is taken as it is
    """
    top = Where(file, "")
    tables, notes = with_names_of_today(tables, file)
    tables, sure = split_sure(tables, file)
    for key in tables:
        if key not in TABLES:
            raise JobError(unknown(Where(file, "top level"), "table", key, TABLES))
    for key in REQUIRED:
        if key not in tables:
            raise JobError(f"{file}: table [{key}] is missing; a job needs {', '.join(f'[{t}]' for t in REQUIRED)}.")

    def one(cls: type, key: str, **families: dict[str, type]) -> Any:
        """One table, its family members built first."""
        where, table = top.inner(key), tables.get(key, {})
        built = build(cls, table, where)
        members = {
            k: _member(family, getattr(built, k), where.inner(k), folder)
            for k, family in families.items()
            if getattr(built, k) is not None
        }
        return dataclasses.replace(built, **members)

    raw_parts = tables["part"] if isinstance(tables["part"], list) else [tables["part"]]
    if len(raw_parts) > MOST_PARTS:
        raise JobError(
            f"{file}: {len(raw_parts)} [[part]] tables; expected {MOST_PARTS} at most. A mesh can hold many."
        )
    parts = []
    for number, raw in enumerate(raw_parts, 1):
        where = top.inner("part" if len(raw_parts) == 1 else f"part {number}")
        part = build(PartTable, raw, where)
        if part.shape is not None:
            part = dataclasses.replace(part, shape=choose_member(SHAPES, part.shape, where.inner("shape")))
        parts.append(part)
    if not any(p.role == "part" for p in parts):
        raise JobError(f'{file}: no [[part]] has role = "part"; expected at least one solid to print.')
    resin = {"kind": "threshold", **tables["resin"]} if isinstance(tables["resin"], dict) else tables["resin"]
    job = Job(
        name=name,
        folder=folder,
        text=text,
        parts=tuple(parts),
        vial=one(Vial, "vial"),
        resin=choose_member(RESINS, resin, top.inner("resin")),
        light=one(Light, "light", beam=BEAMS, response=RESPONSES),
        turn=one(Turn, "turn"),
        grid=one(GridTable, "grid"),
        design=_design(one(Design, "design", loss=LOSSES, solver=SOLVERS, start=STARTS), top.inner("design")),
        output=one(Output, "output"),
        notes=notes,
    )
    ours, resins = job.light.wavelength_nm, getattr(job.resin, "wavelength_nm", None)
    if ours is not None and resins is not None and ours != resins:
        raise JobError(
            f"{file}: wavelength_nm is {ours:g} in [light] and {resins:g} in [resin]; expected one and the same. "
            "Leave it out of [light]."
        )
    if job.design.seed and not job.own:
        raise JobError(
            f"{top.inner('design')}: seed is {job.design.seed}, and nothing in this job draws a random number from it: "
            'only a loss of your own ("file.py:name") may. Delete the key. A disturbed start has a seed of its own: '
            "start = { kind = 'filtered', disturbed = 0.3, seed = 1 }."
        )
    for table, key, length in (("light", "pixel_mm", job.light.pixel_mm), ("grid", "voxel_mm", job.grid.voxel_mm)):
        if length >= job.vial.inner_diameter_mm:
            raise JobError(
                f"{top.inner(table)}: {key} is {length:g}, in mm; the whole vial is {job.vial.inner_diameter_mm:g} mm "
                f"wide. If it is in um, write {key} = {length / 1000:g}."
            )
    if job.tolerance_mm > WIDEST_BAND * job.vial.inner_diameter_mm:
        raise JobError(
            f"{top.inner('design')}: the tolerance is {job.tolerance_mm:g} mm; expected a tenth of the vial's "
            f"{job.vial.inner_diameter_mm:g} mm at most."
        )
    for table, name in _paths(job):
        try:
            job.path(name)
        except JobError as problem:
            raise JobError(f"{top.inner(table)}: {problem}") from None
    if ask:
        require_meant(job, sure, file)
    return job


def _paths(job: Job) -> list[tuple[str, str]]:
    """(table, path) of the files that a job names; a loss of one's own has been looked for already."""
    start, result = job.design.start, job.output.result
    found = [("part", part.mesh) for part in job.parts if part.mesh is not None]
    if isinstance(start, Earlier):
        found.append(("design.start", start.result))
    if result is not None:
        found.append(("output", result))
    return found


def _member(family: dict[str, type], value: Any, where: Where, folder: Path) -> Any:
    settings = dict(value) if isinstance(value, dict) else {"kind": value}
    if family is LOSSES and is_own(settings.get("kind")):
        try:
            return own_loss(settings.pop("kind"), folder, settings)
        except JobError as problem:
            raise JobError(f"{where}: {problem}") from None
    return choose_member(family, value, where)


def _design(design: Design, where: Where) -> Design:
    """The parts of [design] that are tables or lists of tables themselves."""
    penalties = [choose_member(PENALTIES, value, where.inner("penalties")) for value in design.penalties]
    stop = None if design.stop is None else build(StopRule, design.stop, where.inner("stop"))
    robust = None if design.robust is None else build(Robust, design.robust, where.inner("robust"))
    ladder = tuple(build(Rung, value, where.inner("ladder")) for value in design.ladder)
    return dataclasses.replace(design, penalties=tuple(penalties), stop=stop, robust=robust, ladder=ladder)


def _made_in_python(value: Any) -> str:
    """A name for what is no member of a family, the same in every run of a program: functions have no place in it."""
    named = value if hasattr(value, "__qualname__") else type(value)
    return f"{MADE_IN_PYTHON}{named.__module__}.{named.__qualname__}"


def resolved(job: Job) -> dict[str, Any]:
    """Every setting after defaults, as plain data with the keys of the job file; members carry their `kind`."""
    kinds = {
        cls: name
        for family in (BEAMS, LOSSES, PENALTIES, SHAPES, RESPONSES, RESINS, SOLVERS, STARTS)
        for name, cls in family.items()
    }

    def plain(value: Any) -> Any:
        if isinstance(value, OwnMember):
            return value.as_job()
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            fields = {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value) if f.init}
            if type(value) in kinds:
                return {"kind": kinds[type(value)], **fields}
            return fields if type(value) in SCHEMA else {"kind": _made_in_python(value), **fields}
        if isinstance(value, list | tuple):
            return [plain(v) for v in value]
        return value if isinstance(value, str | int | float | bool | None) else _made_in_python(value)

    tables = {key: plain(getattr(job, key)) for key in TABLES if key != "part"}
    return {"part": [plain(p) for p in job.parts], **tables}
