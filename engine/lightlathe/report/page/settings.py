"""A job's settings as rows of a table: dotted keys with the unit that stands in their names."""

import json
import re
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from lightlathe.report.page.section import Section, folded, table, text

UNITS = (  # endings of keys and figures, longest first where one ends another
    ("_mj_cm3", "mJ/cm³"), ("_mw_cm2", "mW/cm²"), ("_mol_m3", "mol/m³"), ("_kg_m3", "kg/m³"), ("_per_mm", "1/mm"),
    ("_pa_s", "Pa s"), ("_percent", "%"), ("_mm3", "mm³"), ("_mm", "mm"), ("_nm", "nm"), ("_deg", "°"), ("_hz", "Hz"),
    ("_pixels", "pixels"), ("_voxels", "voxels"), ("_seconds", "s"), ("_mj", "mJ"), ("_s", "s"),
)  # fmt: skip
WHOLE = {"seconds_per_turn": "s", "seconds": "s", "angles": "images", "columns": "pixels", "rows": "pixels"}
SHOWN = ("notes", "resin", "vial", "light", "turn", "grid", "part", "design")
TITLES = {
    "notes": "Notes",
    "resin": "Resin", "vial": "Vial", "light": "Light", "turn": "Turn", "grid": "Grid", "part": "Parts",
    "design": "Design",
}  # fmt: skip


def unit_of(key: str) -> str:
    """The unit that a key or a figure has by its name; empty for none."""
    name = key.rpartition(".")[2].partition("[")[0]
    for suffix in ("_fine_judged", "_fine", "_whole"):
        name = name.removesuffix(suffix)
    return WHOLE.get(name) or next((unit for ending, unit in UNITS if name.endswith(ending)), "")


def unit_cell(key: str) -> str:
    """HTML: the same, on one line."""
    return f'<span class="unit">{text(unit_of(key))}</span>'


def flat(value: Any, at: str = "") -> Iterator[tuple[str, Any]]:
    """(dotted key, plain value) of a tree of settings; lists of tables by number, lists of numbers as they are."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from flat(inner, f"{at}.{key}".lstrip("."))
    elif isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
        for number, inner in enumerate(value):
            yield from flat(inner, f"{at}[{number}]")
    else:
        yield at, value


def word(value: Any) -> str:
    """A setting's value for a person."""
    if value is None:
        return "not stated"
    if isinstance(value, str):
        return value
    if value == []:
        return "none"
    return json.dumps(value, ensure_ascii=False, default=str)


def rows(tree: Any, name: str = "", assumed: Collection[str] = ()) -> list[tuple[str, str, str]]:
    """HTML cells: key, value, unit. A setting that is not stated has no unit.

    name      of the table
    assumed   dotted keys, with that name before them, that the job left to their defaults
    """
    return [
        (
            f"<code>{text(key)}</code>",
            text(word(value)) + marked(f"{name}.{key}", assumed),
            "" if value is None else unit_cell(key),
        )
        for key, value in flat(tree)
    ]


def marked(key: str, assumed: Collection[str]) -> str:
    """HTML after a value that the job does not give; empty for one that it does."""
    top = ".".join(re.split(r"[.\[]", key)[:2])  # a member's own keys go with it
    return ' <span class="assumed">(assumed)</span>' if top in assumed else ""


def differing(settings: list[Mapping[str, Any]]) -> list[tuple[str, list[Any]]]:
    """(dotted key, value in each) of the settings that are not the same everywhere; MISSING where there is none."""
    trees = [dict(flat(one)) for one in settings]
    keys = dict.fromkeys(key for tree in trees for key in tree)
    found = [(key, [tree.get(key, MISSING) for tree in trees]) for key in keys]
    return [(key, values) for key, values in found if any(value != values[0] for value in values)]


MISSING = "-"


def settings_section(settings: Mapping[str, Any], resin_words: str, assumed: Collection[str] = ()) -> Section:
    """Resin, vial, light and the rest as the job has them after defaults; the first three are open."""
    tables = "".join(
        folded(
            TITLES[name],
            table(("key", "value", "unit"), rows(settings[name], name, assumed), kind="settings"),
            is_open=name in ("notes", "resin", "vial", "light"),
        )
        for name in SHOWN
        if settings.get(name)
    )
    return Section("settings", "Resin, vial, light", f'<p>{text(resin_words)}</p><div class="columns">{tables}</div>')
