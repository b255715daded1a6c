"""Reads a job file: TOML text -> Job, each error with file, table, key, what came and what was expected."""

import dataclasses
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from lightlathe.errors import JobError, shown
from lightlathe.job.agreement import require_agreement
from lightlathe.job.design import CoarseStage, Design, Robust
from lightlathe.job.light import Light
from lightlathe.job.light_files import with_files
from lightlathe.job.members import (
    BEAM,
    LOSS,
    PENALTY,
    RESIN,
    RESPONSE,
    SHAPE,
    SHAPE_OF_RECORD,
    SOLVER,
    START,
    STOP,
    Family,
)
from lightlathe.job.model import GridTable, Job, Output, Turn
from lightlathe.job.notes import notes_of
from lightlathe.job.parts import PartTable
from lightlathe.job.renamed import with_names_of_today
from lightlathe.job.resolved import TABLES, left_to_defaults, plain
from lightlathe.job.shared_resin import with_resin_file
from lightlathe.job.tables import Where, build, choose_member, unknown
from lightlathe.job.toml import lists_of, read_text, tables_of, toml_of
from lightlathe.job.unlikely import require_meant, split_sure
from lightlathe.job.vial import Vial, missing_for_rays
from lightlathe.part.own import OwnShape
from lightlathe.part.voxels import Voxels
from lightlathe.solve import StopRule
from lightlathe.support.own import OwnMember
from lightlathe.support.own_file import OwnFile

MAX_PARTS = 1000  # every one is counted into every voxel
REQUIRED = ("part", "vial", "resin", "light", "turn", "grid")


def load_job(path: str | Path) -> Job:
    """The job in a TOML file. A byte-order mark and CRLF line ends are fine; paths are relative to the file.

    Raises JobError.
    """
    path = Path(path)
    text = read_text(path, "job")
    return parse_job(text, name=path.stem, folder=path.resolve().parent, file=path.name)


def job_in(job: Job | str | Path | Mapping[str, Any]) -> Job:
    """The job given as a Job, the path of a job file, or its tables as a dict. Raises JobError."""
    if isinstance(job, Job):
        return job
    return job_from(job) if isinstance(job, Mapping) else load_job(job)


def parse_job(text: str, *, name: str, folder: Path, file: str = "job") -> Job:
    """The job in a TOML text; `folder` is where its relative paths start."""
    tables = tables_of(text, file)
    return job_from(tables, name=name, folder=folder, file=file, text=text)


def job_from(
    tables: Mapping[str, Any],
    *,
    name: str = "job",
    folder: str | Path = ".",
    file: str = "job",
    text: str | None = None,
    ask: bool = True,
    sources: Mapping[str, str] | None = None,
) -> Job:
    """The job in a dict: the tables of a job file, as TOML gives them, or as `resolved` stored them.

    From Python a value may also be a member of its family, such as `SoftWindow(sharpest=1000)`, and a part's shape a
    `Voxels`; tuples count as lists, None as left out.

    name     of the design
    folder   where relative paths start
    file     what errors name
    text     of the job file; generated from the tables where None
    ask      about implausible values (unlikely.py); not for a job that was designed already
    sources  file -> text of the Python files that a result holds, in place of those in the folder
    Raises   JobError
    """
    top, folder = Where(file, ""), Path(folder).absolute()
    given, renamed = with_names_of_today(lists_of(tables, file), file)
    # a result holds the values of the files of [resin] and [light], and no file that it names is opened
    tables, resin_file = with_resin_file(given, folder, file) if sources is None else (given, {})
    tables, sure = split_sure(tables, file)
    for key in tables:
        if key not in TABLES:
            study = " It is a study file: `lightlathe compare` takes it." if key == "study" else ""
            raise JobError(f"{unknown(Where(file, 'top level'), 'table', key, TABLES)}{study}")
    for key in REQUIRED:
        if key not in tables:
            raise JobError(f"{file}: table [{key}] is missing; a job needs {', '.join(f'[{t}]' for t in REQUIRED)}.")

    _require_rays_known(tables, file)

    def member(family: Family, value: Any, where: Where) -> Any:
        if family.own is OwnShape and isinstance(value, Voxels):
            return value
        return choose_member(family.members, value, where, lambda kind, rest: family.own(source_of(kind), rest))

    def source_of(kind: str) -> OwnFile:
        return OwnFile.named(kind, folder) if sources is None else OwnFile.stored(kind, sources)

    read, files = with_files(tables["light"], folder, top.inner("light")) if sources is None else (tables["light"], {})

    def one(cls: type, key: str, **families: Family) -> Any:
        """One table, its family members built first."""
        where, table = top.inner(key), read if key == "light" else tables.get(key, {})
        built = build(cls, table, where)
        members = {
            k: member(family, getattr(built, k), where.inner(k))
            for k, family in families.items()
            if getattr(built, k) is not None
        }
        try:
            return dataclasses.replace(built, **members)
        except JobError as problem:  # of keys that do not go with a member
            raise JobError(f"{where}: {problem}") from None

    raw_parts = tables["part"] if isinstance(tables["part"], list) else [tables["part"]]
    if len(raw_parts) > MAX_PARTS:
        raise JobError(f"{file}: {len(raw_parts)} [[part]] tables; expected {MAX_PARTS} at most. A mesh can hold many.")
    parts = []
    for number, raw in enumerate(raw_parts, 1):
        where = top.inner("part" if len(raw_parts) == 1 else f"part {number}")
        part = build(PartTable, raw, where)
        if part.shape is not None:
            shape = member(SHAPE if sources is None else SHAPE_OF_RECORD, part.shape, where.inner("shape"))
            part = dataclasses.replace(part, shape=shape)
        parts.append(part)
    if not any(p.role == "part" for p in parts):
        raise JobError(f'{file}: no [[part]] has role = "part"; expected at least one solid to print.')
    resin = {"kind": "threshold", **tables["resin"]} if isinstance(tables["resin"], dict) else tables["resin"]
    design = one(Design, "design", loss=LOSS, solver=SOLVER, start=START)
    job = Job(
        name=name,
        folder=folder,
        text=toml_of(plain(given)) if text is None else text,
        parts=tuple(parts),
        vial=one(Vial, "vial"),
        resin=member(RESIN, resin, top.inner("resin")),
        light=one(Light, "light", beam=BEAM, response=RESPONSE),
        turn=one(Turn, "turn"),
        grid=one(GridTable, "grid"),
        design=_design(design, top.inner("design"), member),
        output=one(Output, "output"),
        notes=notes_of(tables.get("notes", {}), top.inner("notes")),
        renamed=renamed,
        files=(*resin_file.items(), *files.items()),
    )
    job = dataclasses.replace(job, assumed=left_to_defaults(job, tables))
    require_agreement(job, tables, top)
    if ask:
        require_meant(job, sure, file)
    return job


def _require_rays_known(tables: Mapping[str, Any], file: str) -> None:
    """JobError with all keys of a vial that is a lens, where it lacks several."""
    vial = tables["vial"]
    missing = missing_for_rays(vial, tables["resin"]) if isinstance(vial, Mapping) else {}
    if len(missing) > 1:
        raise JobError(
            f"{file}: a vial with surroundings = {shown(vial['surroundings'])} is a lens, and {len(missing)} keys are "
            "missing that say how strong; expected" + "".join(f"\n  {name}: {words}" for name, words in missing.items())
        )


def _design(design: Design, where: Where, member: Callable[[Family, Any, Where], Any]) -> Design:
    """The parts of [design] that are tables or lists of tables themselves."""
    penalties = tuple(member(PENALTY, value, where.inner("penalties")) for value in design.penalties)
    robust = None if design.robust is None else _built(Robust, design.robust, where.inner("robust"))
    ladder = tuple(_built(CoarseStage, value, where.inner("ladder")) for value in design.ladder)
    stop: Any = design.stop
    if isinstance(stop, str) or (isinstance(stop, Mapping) and "kind" in stop):
        stop = member(STOP, stop, where.inner("stop"))
    elif stop is not None and not isinstance(stop, OwnMember):
        stop = _built(StopRule, stop, where.inner("stop"))
    return dataclasses.replace(design, penalties=penalties, stop=stop, robust=robust, ladder=ladder)


def _built(cls: type, value: Any, where: Where) -> Any:
    return value if isinstance(value, cls) else build(cls, value, where)
