"""A resin file: the [resin] table that several jobs share, read with the job, its values taken into it."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lightlathe.checks import path_in
from lightlathe.errors import JobError, brief, shown
from lightlathe.job.tables import Where
from lightlathe.job.toml import MAX_BYTES, lists_of, tables_of
from lightlathe.job.unlikely import SURE
from lightlathe.projector.data_files import read_file
from lightlathe.support.own_file import is_own

FILE, OVERRIDES = "file", "overrides"


def with_resin_file(tables: Mapping[str, Any], folder: Path, file: str) -> tuple[dict[str, Any], dict[str, str]]:
    """The tables of a job with the keys of the resin file that [resin] names, and file -> SHA-256 of what was read.

    A resin file is TOML with the table [resin] alone, as `lightlathe resin` prints it; `name` and `date` say which
    resin it is. Keys that stand beside `file` in the job add to it. The same key with another value is an error,
    unless the job says so: overrides = ["absorption_per_mm"].
    Raises JobError.
    """
    tables = dict(tables)
    ours = tables.get("resin")
    if not isinstance(ours, Mapping):
        return tables, {}  # whoever builds the table says what is wrong
    ours = dict(ours)
    where, name = Where(file, "resin"), ours.get(FILE)
    overrides = ours.pop(OVERRIDES, [])
    if name is None:
        if overrides:
            raise JobError(
                f"{where}: overrides is {shown(overrides)} without a resin file; expected file = ... with it."
            )
        return {**tables, "resin": ours}, {}
    if not isinstance(name, str):
        raise JobError(f"{where}: file is {shown(name)}; expected the name of a resin file (TOML).")
    theirs, sha256 = _read(name, folder, where)
    if is_own(ours.get("kind")) or is_own(theirs.get("kind")):
        raise JobError(
            f"{where}: file goes with the resins of this program; expected the keys of your own in the job itself."
        )
    if not isinstance(overrides, list) or not all(key in ours and key in theirs for key in overrides):
        raise JobError(
            f"{where}: overrides is {shown(overrides)}; expected a list of keys that stand both here and in "
            f"{shown(name)}."
        )
    for key, value in ours.items():
        if key in theirs and key not in (SURE, *overrides) and theirs[key] != value:
            raise JobError(
                f"{where}: {key} is {shown(value)} here and {shown(theirs[key])} in {shown(name)}; expected it in one "
                f'of the two.\n  Delete it here, or say that it is meant: overrides = ["{key}"].'
            )
    merged = {**theirs, **ours}
    if isinstance(ours.get(SURE), list) and isinstance(theirs.get(SURE), list):
        merged[SURE] = [*theirs[SURE], *ours[SURE]]
    return {**tables, "resin": merged}, {name: sha256}


def _read(name: str, folder: Path, where: Where) -> tuple[dict[str, Any], str]:
    """The table of a resin file and the SHA-256 of its bytes."""
    try:
        found = read_file(path_in(folder, name))
        if len(found.content) > MAX_BYTES:
            raise JobError(
                f"{shown(name)}: has more than {MAX_BYTES / 1e6:g} MB; expected a resin file of a few lines."
            )
        tables = lists_of(tables_of(found.content.decode("utf-8-sig"), found.path.name), found.path.name)
    except UnicodeDecodeError as problem:
        raise JobError(f"{where}: {shown(name)}: byte {problem.start} is not UTF-8; expected a TOML file.") from None
    except JobError as problem:
        raise JobError(f"{where}: {problem}") from None
    resin = tables.get("resin")
    if list(tables) != ["resin"] or not isinstance(resin, dict):
        names = brief(", ".join(map(shown, tables))) or "nothing"
        raise JobError(f"{where}: {shown(name)} has {names}; expected a resin file: the table [resin] alone.")
    for key in (FILE, OVERRIDES):
        if key in resin:
            raise JobError(f"{where}: {shown(name)} has the key {key}; expected the resin's own keys in it.")
    return resin, found.sha256
