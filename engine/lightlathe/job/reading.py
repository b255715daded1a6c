"""Reads a job file: TOML text -> Job, each error with file, table, key, what came and what was expected."""

import dataclasses
import re
import tomllib
from pathlib import Path
from typing import Any

from lightlathe.beams import BEAMS
from lightlathe.errors import JobError
from lightlathe.job import backslash
from lightlathe.job.model import Design, GridTable, Job, Light, Output, PartTable, Robust, Rung, Turn, Vial
from lightlathe.job.tables import Where, build, choose_member, unknown
from lightlathe.job.unlikely import require_meant, split_sure
from lightlathe.losses import LOSSES, PENALTIES, is_own, own_loss
from lightlathe.losses.own import OwnLoss
from lightlathe.part.shapes import SHAPES
from lightlathe.projector import RESPONSES
from lightlathe.resins import RESINS
from lightlathe.solve import SOLVERS, STARTS, StopRule

TABLES = ("part", "vial", "resin", "light", "turn", "grid", "design", "output")
REQUIRED = ("part", "vial", "resin", "light", "turn", "grid")


def load_job(path: str | Path) -> Job:
    """The job in a TOML file. A byte-order mark and CRLF line ends are fine; paths are relative to the file.

    Raises JobError.
    """
    path = Path(path)
    try:
        raw = path.read_bytes()
    except OSError as problem:
        raise JobError(f"{path}: cannot read the job file ({problem.strerror}). Is the path right?") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        if raw.startswith(b"\x89HDF"):
            raise JobError(
                f"{path}: an HDF5 file, perhaps the result of a design; expected a job file (TOML). "
                "Results are for lightlathe predict and lightlathe export."
            ) from None
        raise JobError(
            f"{path}: byte {problem.start} is not UTF-8 text; expected a job file (TOML, saved as UTF-8). "
            "Is it a mesh? A job file names the mesh: [part] mesh = ..."
        ) from None
    return parse_job(text, name=path.stem, folder=path.resolve().parent, file=path.name)


def parse_job(text: str, *, name: str, folder: Path, file: str = "job") -> Job:
    """The job in a TOML text; `folder` is where its relative paths start."""
    try:
        tables = tomllib.loads(text)
    except ValueError as problem:  # TOMLDecodeError, or a number of thousands of digits
        comma = re.search(r"^\s*\w+\s*=\s*(\d+),(\d+)\s*(#.*)?$", text, re.MULTILINE)
        hint = f" Decimals need a point: {comma[1]}.{comma[2]}, not {comma[1]},{comma[2]}." if comma else ""
        hint += backslash.hint(text, str(problem))
        raise JobError(f"{file}: not valid TOML: {problem}.{hint}") from None
    backslash.require_none_eaten(tables, file)
    return job_from(tables, name=name, folder=folder, file=file, text=text)


def job_from(tables: dict[str, Any], *, name: str, folder: Path, file: str, text: str, ask: bool = True) -> Job:
    """The job in the tables of a job file, as TOML gives them or as `resolved` stored them.

    ask   about values that are hardly meant (unlikely.py); a job that was designed already is taken as it is
    """
    top = Where(file, "")
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
    )
    ours, resins = job.light.wavelength_nm, getattr(job.resin, "wavelength_nm", None)
    if ours is not None and resins is not None and ours != resins:
        raise JobError(
            f"{file}: wavelength_nm is {ours:g} in [light] and {resins:g} in [resin]; expected one and the same. "
            "Leave it out of [light]."
        )
    if job.design.seed and not isinstance(job.design.loss, OwnLoss):
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
    if ask:
        require_meant(job, sure, file)
    return job


def _member(family: dict[str, type], value: Any, where: Where, folder: Path) -> Any:
    settings = dict(value) if isinstance(value, dict) else {"kind": value}
    if family is LOSSES and isinstance(settings.get("kind"), str) and is_own(settings["kind"]):
        return own_loss(settings.pop("kind"), folder, settings)
    return choose_member(family, value, where)


def _design(design: Design, where: Where) -> Design:
    """The parts of [design] that are tables or lists of tables themselves."""
    penalties = [choose_member(PENALTIES, value, where.inner("penalties")) for value in design.penalties]
    stop = None if design.stop is None else build(StopRule, design.stop, where.inner("stop"))
    robust = None if design.robust is None else build(Robust, design.robust, where.inner("robust"))
    ladder = tuple(build(Rung, value, where.inner("ladder")) for value in design.ladder)
    return dataclasses.replace(design, penalties=tuple(penalties), stop=stop, robust=robust, ladder=ladder)


def resolved(job: Job) -> dict[str, Any]:
    """Every setting after defaults, as plain data with the keys of the job file; members carry their `kind`."""
    kinds = {
        cls: name
        for family in (BEAMS, LOSSES, PENALTIES, SHAPES, RESPONSES, RESINS, SOLVERS, STARTS)
        for name, cls in family.items()
    }

    def plain(value: Any) -> Any:
        if isinstance(value, OwnLoss):
            return value.as_job()
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            fields = {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value) if f.init}
            return {"kind": kinds[type(value)], **fields} if type(value) in kinds else fields
        if isinstance(value, list | tuple):
            return [plain(v) for v in value]
        return value if isinstance(value, str | int | float | bool | None) else str(value)

    tables = {key: plain(getattr(job, key)) for key in TABLES if key != "part"}
    return {"part": [plain(p) for p in job.parts], **tables}
