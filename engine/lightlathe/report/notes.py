"""Lines of the summary on the resin file and the notes of a job."""

import textwrap
from collections.abc import Mapping
from typing import Any

from lightlathe.errors import brief


def notes_lines(settings: Mapping[str, Any]) -> list[str]:
    """Which resin it was, where the job names one, and what the lab noted; nothing where it did neither."""
    resin, notes = settings.get("resin"), settings.get("notes")
    lines = []
    if isinstance(resin, Mapping) and (words := resin_words(resin)):
        lines.append(f"  resin       {words}")
    rows = []
    for name, text in (notes if isinstance(notes, Mapping) else {}).items():
        first, *rest = [row for line in str(text).splitlines() for row in textwrap.wrap(line, 100)] or [""]
        rows += [f"{brief(name)}: {brief(first)}", *(f"  {brief(row)}" for row in rest)]
    return [*lines, *(f"  {'' if n else 'notes':12}{row}" for n, row in enumerate(rows))]


def resin_words(resin: Mapping[str, Any]) -> str:
    """'Clear V4, 2026-11-20, from resin.toml': the name, the date and the file, as far as the job gives them."""
    said = [brief(str(resin[key])) for key in ("name", "date") if resin.get(key)]
    if resin.get("file"):
        said.append(f"from {brief(str(resin['file']))}")
    return ", ".join(said)
