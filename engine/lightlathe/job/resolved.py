"""A job as plain data: every setting after defaults, with the keys of the job file."""

import dataclasses
from collections.abc import Mapping
from typing import Any

from lightlathe.job.design import CoarseStage, Design, Robust
from lightlathe.job.light import Light
from lightlathe.job.members import KINDS, MADE_IN_PYTHON
from lightlathe.job.model import GridTable, Job, Output, Turn
from lightlathe.job.parts import PartTable
from lightlathe.job.vial import Vial
from lightlathe.part.voxels import Voxels
from lightlathe.projector import FlatField
from lightlathe.solve import StopRule
from lightlathe.support.own import OwnMember

TABLES = ("part", "vial", "resin", "light", "turn", "grid", "design", "output", "notes")
SCHEMA = (PartTable, Vial, Light, Turn, GridTable, Design, Output, Robust, CoarseStage, StopRule)  # what tables become


def _made_in_python(value: Any) -> str:
    """A name for an object that is not a family member, the same in every run (no memory addresses)."""
    named = value if hasattr(value, "__qualname__") else type(value)
    return f"{MADE_IN_PYTHON}{named.__module__}.{named.__qualname__}"


def resolved(job: Job) -> dict[str, Any]:
    """Every setting after defaults, as plain data with the keys of the job file; members carry their `kind`."""
    tables = {key: plain(getattr(job, key)) for key in TABLES if key != "part"}
    return {"part": [plain(p) for p in job.parts], **tables}


def left_to_defaults(job: Job, tables: Mapping[str, Any]) -> tuple[str, ...]:
    """Dotted keys of the machine and the resin that `tables` leave out, though the job has a value for them."""
    found = []
    for name in ("vial", "resin", "light", "turn"):
        given, values = tables.get(name), plain(getattr(job, name))
        if isinstance(given, Mapping) and isinstance(values, dict):
            missing = (key for key in values if given.get(key) is None and values[key] not in (None, []))
            found += [f"{name}.{key}" for key in missing if key != "kind"]
    return tuple(found)


def plain(value: Any) -> Any:
    """The equivalent plain data: members become tables with their `kind`."""
    if isinstance(value, OwnMember | Voxels | FlatField):
        return value.as_job()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value) if f.init}
        if type(value) in KINDS:
            return {"kind": KINDS[type(value)], **fields}
        return fields if type(value) in SCHEMA else {"kind": _made_in_python(value), **fields}
    if isinstance(value, Mapping):
        return {key: plain(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return value if isinstance(value, str | int | float | bool | None) else _made_in_python(value)
