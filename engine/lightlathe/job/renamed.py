"""Former names in job files: read as the current ones, with a note.

A changed name gets a line here and stays readable for good.
"""

import copy
from typing import Any

from lightlathe.errors import JobError

# dotted place of a table -> {former name: current name}
KINDS = {"design.loss": {"dose_band": "dose_corridor"}}
KEYS = {"design.loss": {"void_at_most": "outside_at_most"}}


def with_names_of_today(tables: dict[str, Any], file: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The tables of a job file under their current names, and a note on each former one.

    The given tables are not modified. Raises JobError where a key stands there under both names.
    """
    tables, notes = copy.deepcopy(tables), []
    for place, names in KINDS.items():
        holder, key, value = _at(tables, place)
        kind = value.get("kind") if isinstance(value, dict) else value
        if isinstance(kind, str) and kind in names:
            notes.append(f"{file} [{place}]: '{kind}' is called '{names[kind]}' today, and read as that")
            if isinstance(value, dict):
                value["kind"] = names[kind]
            else:
                holder[key] = names[kind]
    for place, names in KEYS.items():
        value = _at(tables, place)[2]
        for before, today in names.items():
            if not isinstance(value, dict) or before not in value:
                continue
            if today in value:
                raise JobError(f"{file} [{place}]: {before} is the former name of {today}; expected one of the two.")
            value[today] = value.pop(before)
            notes.append(f"{file} [{place}]: {before} is called {today} today, and read as that")
    return tables, tuple(notes)


def _at(tables: dict[str, Any], place: str) -> tuple[Any, str, Any]:
    """(the table that holds a place, its last name, what lies there or None)."""
    *outer, last = place.split(".")
    holder: Any = tables
    for name in outer:
        holder = holder.get(name) if isinstance(holder, dict) else None
    return holder, last, holder.get(last) if isinstance(holder, dict) else None
