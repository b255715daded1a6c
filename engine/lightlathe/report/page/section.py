"""A section of the page, and the small pieces of HTML that sections are made of. All text is escaped here."""

import html
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from lightlathe.support.words import amount


@dataclass(frozen=True)
class Section:
    """One section of the page.

    anchor   of its heading, and in the list of contents
    title    plain text
    body     HTML: what is from outside is escaped already (`text`)
    data     for the scripts, by name: what an element of the body with data-chart="NAME" and the like shows
    """

    anchor: str
    title: str
    body: str
    data: dict[str, Any] = field(default_factory=dict)


def text(value: object) -> str:
    """Text or a number for HTML, also inside an attribute's quotes."""
    return html.escape(str(value), quote=True)


def paragraph(*sentences: str, kind: str = "") -> str:
    """Plain sentences; nothing where there are none."""
    said = text(" ".join(filter(None, sentences)))
    return f"<p{_class(kind)}>{said}</p>" if said else ""


def items(lines: Iterable[str], kind: str = "") -> str:
    """A list of plain sentences; nothing where there are none."""
    found = "".join(f"<li>{text(line)}</li>" for line in lines)
    return f"<ul{_class(kind)}>{found}</ul>" if found else ""


def figure_of(name: str, value: float, shown: str, unit: str = "") -> str:
    """A figure of the record: its full value stands in the element, a shorter one is shown."""
    said = f'<data data-figure="{text(name)}" value="{float(value)!r}">{text(shown)}</data>'
    return f"{said}&nbsp;{text(unit)}" if unit else said


def number(value: float, digits: int = 6) -> str:
    """A figure in a table."""
    return "none" if math.isnan(value) else amount(value, digits)


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], caption: str = "", kind: str = "") -> str:
    """A table whose first column holds the rows' heads; the cells are HTML, heads and caption plain text."""
    said = f"<caption>{text(caption)}</caption>" if caption else ""
    top = "".join(f'<th scope="col">{text(head)}</th>' for head in heads)
    top = f"<thead><tr>{top}</tr></thead>" if heads else ""
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>{"".join(f"<td>{cell}</td>" for cell in row[1:])}</tr>' for row in rows
    )
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{text(caption or heads[0])}">'
        f"<table{_class(kind)}>{said}{top}<tbody>{body}</tbody></table></div>"
    )


def folded(summary: str, body: str, *, is_open: bool = False, kind: str = "") -> str:
    """A part that opens on request; a printed page shows it as it stands, of kind "printed" always."""
    return f"<details{_class(kind)}{' open' if is_open else ''}><summary>{text(summary)}</summary>{body}</details>"


def charts(*named: tuple[str, str]) -> str:
    """Places for charts, side by side where there is room: (name in the section's data, what it shows)."""
    return f'<div class="charts">{"".join(_chart(name, alt) for name, alt in named)}</div>'


def _chart(name: str, alt: str) -> str:
    return f'<figure><div class="chart" data-chart="{name}" role="img" aria-label="{text(alt)}"></div>' + (
        f"<figcaption>{text(alt)}</figcaption></figure>"
    )


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
