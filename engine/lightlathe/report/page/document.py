"""The document around the sections: one file with its style, its scripts, Plotly.js and the data."""

import json
import os
import string
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import lightlathe
from lightlathe.errors import ResultError
from lightlathe.report.page.libraries import plotly
from lightlathe.report.page.section import Section, text
from lightlathe.support.files import DRAWN_BY, PAGE, require_replaceable

SCRIPTS = (
    "data.js", "theme.js", "charts.js", "volumes.js", "panels.js", "legend.js", "slices.js", "solid.js", "frames.js",
    "start.js",
)  # fmt: skip


def document(title: str, name: str, sections: Sequence[Section], about: str = "") -> str:
    """The whole page, about 5 MB of which are Plotly.js. Raises ResultError where Plotly is not installed.

    about   HTML below the heading: what the page is about, in a line or two
    """
    library, version = plotly()
    contents = "".join(f'<li><a href="#{s.anchor}">{text(s.title)}</a></li>' for s in sections)
    body = "".join(
        f'<section id="{s.anchor}" aria-labelledby="{s.anchor}-h"><h2 id="{s.anchor}-h">{text(s.title)}</h2>'
        f"{s.body}</section>"
        for s in sections
    )
    data: dict[str, Any] = {}
    for section in sections:
        data |= section.data
    return string.Template(_asset("page.html")).substitute(
        generator=f"{DRAWN_BY} {lightlathe.__version__}",
        title=text(title),
        name=text(name),
        about=about,
        written=datetime.now(UTC).strftime("%d %B %Y, %H:%M UTC"),
        version=text(lightlathe.__version__),
        plotly_version=text(version),
        style=_asset("page.css"),
        contents=contents,
        sections=body,
        data=in_script(data),
        plotly=library,
        scripts="\n".join(_asset(script) for script in SCRIPTS),
    )


def in_script(data: Any) -> str:
    """JSON that nothing in it can end: `<` does not occur. Values that are no finite number raise ValueError."""
    said = json.dumps(data, allow_nan=False, separators=(",", ":"))
    return said.replace("<", "\\u003c")


def write_page(page: str, path: Path) -> Path:
    """Write a page as a whole; it takes the place of an earlier page only. Raises ResultError where it cannot."""
    require_page(path)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        unfinished.write_text(page, encoding="utf-8")
        os.replace(unfinished, path)
    except OSError as problem:
        unfinished.unlink(missing_ok=True)
        raise ResultError(
            f"{path}: cannot write the page ({problem}). Is the folder writable, the disk full?"
        ) from None
    return path


def require_page(path: Path) -> None:
    """ResultError unless a page can be made and written here; before any long work."""
    plotly()
    if path.is_dir():
        raise ResultError(f"{path}: is a folder; expected a result, or with -o the name of a page, NAME.html.")
    if path.suffix.lower() not in (".html", ".htm"):
        raise ResultError(f"{path}: expected the name of a page, which ends in .html.")
    if not path.parent.is_dir():
        raise ResultError(f"{path}: there is no folder {path.parent}; expected a page in a folder there is.")
    require_replaceable(path, PAGE)


def _asset(name: str) -> str:
    return files("lightlathe.report.page").joinpath("assets", name).read_text(encoding="utf-8")
