"""Paths with backslashes: in TOML's "double quotes" a backslash begins an escape, which eats a path or breaks it."""

import re
from collections.abc import Iterator
from typing import Any

from lightlathe.errors import JobError, brief, shown

EATEN = {"\b": "a backspace", "\t": "a tab", "\n": "a line break", "\f": "a form feed", "\r": "a carriage return",
         "\x1b": "an escape"}  # fmt: skip
_PLACE = re.compile(r"at line (\d+)")
_QUOTED = re.compile(r'"([^"\\]*\\[^"]*)"')


def hint(text: str, problem: str) -> str:
    """What to write instead, where the line that a TOML reader stumbled over has a backslash in double quotes."""
    place, lines = _PLACE.search(problem), text.splitlines()
    if place is None or not 0 < int(place[1]) <= len(lines):
        return ""
    quoted = _QUOTED.search(lines[int(place[1]) - 1])
    return "" if quoted is None else f" {_instead(quoted[1])}"


def require_none_eaten(tables: dict[str, Any], file: str) -> None:
    """JobError where a text holds what a backslash and a letter make of a path, such as a tab. [notes] are no paths."""
    for where, value in _texts({key: table for key, table in tables.items() if key != "notes"}, ""):
        eaten = next((words for mark, words in EATEN.items() if mark in value), None)
        if eaten is not None:
            written = value.encode("unicode_escape").decode().replace("\\x08", "\\b").replace("\\x0c", "\\f")
            place = brief(where) if where.isprintable() else shown(where)
            raise JobError(f"{file}: {place} holds {eaten}, which no name here has. {_instead(written)}")


def _instead(written: str) -> str:
    cut = written if len(written) <= 80 else f"{written[:60]} ..."
    forward = cut.replace("\\\\", "/").replace("\\", "/")
    return f'In "double quotes" a backslash begins an escape. Write "{forward}", or \'{cut}\' in single quotes.'


def _texts(value: Any, where: str) -> Iterator[tuple[str, str]]:
    """(dotted place, text) of every text in a tree of tables and lists."""
    if isinstance(value, str):
        yield where, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _texts(inner, f"{where}.{key}".lstrip("."))
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner, where)
