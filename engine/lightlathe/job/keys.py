"""Which table of a job file a key belongs to."""

import inspect
from dataclasses import fields

from lightlathe.job.design import Design
from lightlathe.job.light import Light
from lightlathe.job.model import GridTable, Turn
from lightlathe.job.parts import PartTable
from lightlathe.job.vial import Vial
from lightlathe.resins import RESINS

TABLES = {"design": Design, "turn": Turn, "light": Light, "vial": Vial, "grid": GridTable, "part": PartTable}


def table_of(key: str) -> str | None:
    """The name of the table; None where no table has such a key."""
    found = [name for name, cls in TABLES.items() if key in (field.name for field in fields(cls))]
    if not found and any(key in inspect.signature(cls).parameters for cls in RESINS.values()):
        return "resin"
    return found[0] if found else None
