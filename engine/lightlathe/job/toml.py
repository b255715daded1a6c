"""TOML files: bytes -> tables, for jobs and studies. Invalid or excessively nested TOML raises JobError."""

import datetime
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from lightlathe.errors import JobError, brief, shown
from lightlathe.job import backslash

MAX_BYTES = 1_000_000  # of a job or study; real ones have a few kB, a response table of 16 bits half of this
SEVERAL = ("part",)  # tables of which a job may have several
DEEPEST = 16  # tables and lists within each other; a job needs four, a study one more
# a dotted key of more than 64 parts: the time that TOML readers take grows with the square of their number
_PART = r"""(?:[\w-]++|"(?:[^"\\\n]|\\.){0,200}+"|'[^'\n]{0,200}+')"""
_LONG_KEY = re.compile(rf"""(?<![\w"'.-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{64}}""")
_COMMA = re.compile(r"^[ \t]*\w+[ \t]*=[ \t]*(\d+),(\d+)[ \t]*(#.*)?$", re.MULTILINE)


def read_text(path: Path, what: str) -> str:
    """The text of a TOML file; `what` is "job" or "study". A byte-order mark and CRLF line ends are fine.

    Raises JobError.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as problem:  # ValueError: NUL in the path
        why = getattr(problem, "strerror", None) or problem
        raise JobError(f"{path}: cannot read the {what} file ({why}). Is the path right?") from None
    if raw.startswith(b"\x89HDF"):
        raise JobError(
            f"{path}: an HDF5 file, perhaps the result of a design; expected a {what} file (TOML). "
            "Results are for lightlathe show, report, predict and export."
        )
    if len(raw) > MAX_BYTES:
        raise JobError(
            f"{path}: more than {MAX_BYTES / 1e6:g} MB; expected a {what} file of a few kB. "
            "Is it a mesh? A job file names the mesh: [part] mesh = ..."
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise JobError(
            f"{path}: byte {problem.start} is not UTF-8 text; expected a {what} file (TOML, saved as UTF-8). "
            "Is it a mesh? A job file names the mesh: [part] mesh = ..."
        ) from None


def tables_of(text: str, file: str) -> dict[str, Any]:
    """The tables in a TOML text; `file` is named in errors. Raises JobError."""
    if _LONG_KEY.search(text):
        raise JobError(f"{file}: a key of more than 64 parts (a.b.c...); expected a table and a key.")
    try:
        tables = tomllib.loads(text)
    except ValueError as problem:  # TOMLDecodeError, or a number of thousands of digits
        comma = _COMMA.search(text)
        hint = f" Decimals need a point: {comma[1]}.{comma[2]}, not {comma[1]},{comma[2]}." if comma else ""
        hint += backslash.hint(text, str(problem)) + _several(text, str(problem))
        raise JobError(f"{file}: not valid TOML: {problem}.{hint}{_line_of(text, str(problem))}") from None
    except RecursionError:
        raise JobError(f"{file}: {_TOO_DEEP}") from None
    layer: list[Any] = [tables]
    for _ in range(DEEPEST):
        layer = [held for value in layer for held in _inside(value)]
    if layer:
        raise JobError(f"{file}: {_TOO_DEEP}")
    backslash.require_none_eaten(tables, file)
    return tables


_TABLE = re.compile(r"^[ \t]*(\[{1,2})([ \t]*[\w-]+[ \t]*)\]{1,2}[ \t]*(?:#.*)?$", re.MULTILINE)


def _several(text: str, problem: str) -> str:
    """What to write where a table stands there twice, and not every time as one of several, [[part]]; else empty."""
    at = re.search(r"\(at line (\d+), column \d+\)", problem)
    heads = [(text.count("\n", 0, m.start()) + 1, m[1], m[2].strip()) for m in _TABLE.finditer(text)]
    here = next((name for line, _, name in heads if at is not None and line == int(at[1])), None)
    if here is None:
        return ""
    plain = [line for line, brackets, name in heads if name == here and brackets == "["]
    if len([name for _, _, name in heads if name == here]) < 2 or not plain:
        return ""
    if here not in SEVERAL:
        return f" [{here}] stands there twice: put its keys into one [{here}]."
    lines = " and ".join(map(str, plain))
    return f" Of several [[{here}]] each is written with two brackets: change [{here}] to [[{here}]] in line {lines}."


def _line_of(text: str, problem: str) -> str:
    """The line that TOML's reader stopped at, which names the key; empty where it names no line."""
    at, lines = re.search(r"\(at line (\d+), column \d+\)", problem), text.split("\n")
    if at is None or not 0 < int(at[1]) <= len(lines) or not lines[int(at[1]) - 1].strip():
        return ""
    return f"\n  line {at[1]}: {brief(lines[int(at[1]) - 1].strip())}"


def lists_of(tables: Mapping[str, Any], file: str) -> dict[str, Any]:
    """Tables from Python as TOML would give them: plain dicts and lists; dates and times are written out, 2026-11-30.

    Raises JobError for what cannot be one.
    """
    if not isinstance(tables, Mapping):
        raise JobError(f"{file}: got {shown(tables)}; expected a dict of a job's tables.")

    def plain(value: Any, depth: int) -> Any:
        if depth > DEEPEST:
            raise JobError(f"{file}: {_TOO_DEEP}")
        if isinstance(value, Mapping):
            for key in value:
                if not isinstance(key, str):
                    raise JobError(f"{file}: the key {shown(key)} is a {type(key).__name__}; expected a text.")
            return {key: plain(held, depth + 1) for key, held in value.items() if held is not None}
        if isinstance(value, Path):
            return str(value)
        if isinstance(value, datetime.date | datetime.time):
            return value.isoformat()
        if isinstance(value, np.generic):
            return value.item()
        return [plain(held, depth + 1) for held in value] if isinstance(value, list | tuple) else value

    return plain(tables, 0)


def toml_of(tables: Mapping[str, Any]) -> str:
    """The text of a job file equivalent to these tables of plain values; None is left out."""
    import tomli_w

    return tomli_w.dumps(without_nothing(tables))


def without_nothing(value: Any) -> Any:
    """Plain values as a TOML file would give them: no entry where nothing was said."""
    if isinstance(value, Mapping):
        return {k: without_nothing(v) for k, v in value.items() if v is not None}
    return [without_nothing(v) for v in value] if isinstance(value, list) else value


_TOO_DEEP = f"lists or tables more than {DEEPEST} deep; nothing in a job or a study goes deeper than five."


def _inside(value: Any) -> list[Any]:
    """The values in a table or a list that are tables or lists themselves."""
    held = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [v for v in held if isinstance(v, dict | list)]
