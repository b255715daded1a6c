"""The table [notes] of a job: what a lab writes beside a print. Nothing is computed from it."""

from collections.abc import Mapping
from typing import Any

from lightlathe.errors import JobError, shown
from lightlathe.job.tables import Where

MOST, LONGEST = 50, 10_000  # keys; characters of a text


def notes_of(table: Any, where: Where) -> dict[str, str]:
    """The texts of [notes] by name: operator, resin_lot, or any other. Raises JobError."""
    if not isinstance(table, Mapping):
        raise JobError(f'{where}: got {shown(table)}; expected a table of texts: operator = "...".')
    if len(table) > MOST:
        raise JobError(f"{where}: has {len(table)} keys; expected {MOST} at most.")
    notes = {}
    for name, value in table.items():
        if not isinstance(value, str):
            raise JobError(f'{where}: {shown(name)} is {shown(value)}; expected a text in "quotes".')
        if len(value) > LONGEST or len(name) > 100:
            raise JobError(f"{where}: {shown(name)} is {shown(value)}; expected {LONGEST} characters at most.")
        notes[name] = value
    return notes
