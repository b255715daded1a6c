"""Broken TOML of two kinds, for hypothesis: valid tables with keys, types, values and nesting changed, and valid text
with bytes changed."""

import datetime
import json
import math
from typing import Any

from hypothesis import strategies as st


def nested(depth: int) -> list[Any]:
    """Empty lists within each other."""
    value: list[Any] = []
    for _ in range(depth):
        value = [value]
    return value


def tabled(depth: int) -> dict[str, Any]:
    """Tables within each other; dumped as one dotted key, which TOML readers take to any depth."""
    value: dict[str, Any] = {"a": 1}
    for _ in range(depth):
        value = {"a": value}
    return value


NUMBERS = (
    0, 1, 2, 3, -1, 7, 16, 100, 1000, 65535, 10**6, 2**31, 2**53, 2**63 - 1, 2**63, -(2**63), 10**18, 10**400,
    0.0, -0.0, 0.1, 0.25, 0.5, 0.999, 1.5, 5e-324, 1e-300, 1e-200, 1e-30, 1e-9, 1e-6, 1e-3, 1e3, 1e6, 1e9, 1e12, 1e30,
    1e150, 1e300, 1.7e308, math.inf, -math.inf, math.nan, -0.25, -1e150,
)  # fmt: skip
TEXTS = (
    "", " ", "nosuch", "auto", "cpu", "cuda", "cuda:0", "cuda:9", "meta", "part", "insert", "keep_liquid",
    "clockwise", "um", "mm", "\u00b5m", "\u03bcm", "furlong", "cube.stl", "none.stl", "cube.STL", "text.stl",
    "text.3mf", ".", "..", "/", "~", "~/none.stl", "~nosuchuser/x.stl", "a\0b.stl", "\0", "a" * 300 + ".stl",
    "a/" * 3000, "x" * 200_000, "none.py:loss", "text.py:loss", "ok.py:loss", ".py:", "ok.py:", "ok.py:loss:loss",
    "cube.stl.py:x", "a\nb", "\x1b[31mred", "filtered", "uniform", "earlier", "gap_hinge", "linear", "table", "power",
    "srgb", "telecentric", "triton", "reference", "double", "half", "threshold", "inhibited", "cylinder", "sphere",
    "tube", "box", "light_used", "\u202e", "\U0001f600",
)  # fmt: skip
OTHERS = (
    True, False, [], {}, [[]], [{}], [1, 2, 3], [0.0, 0.0, 0.0], [1e300, 0.0, 0.0], [0.0] * 2000, ["a"] * 50,
    {"kind": 1}, {"kind": "nosuch"}, {"kind": "x" * 100_000}, {"kind": "earlier", "result": "none.h5"},
    {"kind": "ok.py:loss", "a": 1}, {"kind": "table", "code": [0.0, 1.0], "relative_light": [0.0, 1.0]},
    {"kind": "inhibited"}, {"kind": "sphere", "radius_mm": 1e-9},
    {"kind": "cylinder", "radius_mm": 0.5, "height_mm": 999.0}, datetime.date(2026, 1, 1), datetime.time(1, 2),
    nested(20), nested(500), tabled(300), {"x" * 200_000: 1},
    {"absorption_percent": [float(n) for n in range(200)], "dose_percent": [float(n) for n in range(200)]},
    [{"coarser": 2.0, "iterations": 5}], [{"coarser": 1e300, "iterations": 2**62}], ["light_used", "roughness"],
)  # fmt: skip
VALUES = st.one_of(
    st.sampled_from(NUMBERS),
    st.sampled_from(TEXTS),
    st.sampled_from(OTHERS),
    st.floats(),
    st.integers(),
    st.text(max_size=20),
)
KEYS = st.one_of(
    st.sampled_from(("", "kind", "mesh", "shape", "a.b", "x" * 200_000, "\0", "\x1b[2J", "design", "part")),
    st.text(max_size=12),
)


DEEP = 8  # levels of a tree in which values are changed; what lies deeper is put in whole


def copied(tree: Any, levels: int = DEEP) -> Any:
    """A copy whose upper levels can be changed."""
    if levels == 0 or not isinstance(tree, dict | list):
        return tree
    if isinstance(tree, list):
        return [copied(value, levels - 1) for value in tree]
    return {key: copied(value, levels - 1) for key, value in tree.items()}


def places(tree: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value in the upper levels of a tree, without the tree itself."""
    inner = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    if len(at) >= DEEP:
        return []
    return [path for key, value in inner for path in ((*at, key), *places(value, (*at, key)))]


def holder(tree: Any, path: tuple[Any, ...]) -> Any:
    for key in path[:-1]:
        tree = tree[key]
    return tree


def like(draw: st.DrawFn, value: Any) -> Any:
    """Another value of the same type, so that more of the broken trees get past the types."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return copied(draw(VALUES))
    if isinstance(value, str):
        return draw(st.sampled_from(TEXTS))
    others = st.sampled_from([n for n in NUMBERS if type(n) is type(value)])
    if abs(value) > 1e15 or value != value:
        return draw(others)
    if isinstance(value, int):
        times = draw(st.sampled_from((-1, 0, 1, 2, 3, 10, 1000, 10**9, 10**20)))
    else:
        times = draw(
            st.sampled_from((-1, 0, 0.3, 0.5, 0.8, 0.95, 1.1, 1.5, 2, 3, 10, 1e3, 1e-3, 1e9, 1e-9, 1e200, 1e-200))
        )
    return draw(st.one_of(st.just(value * times), others))


@st.composite
def mutated(draw: st.DrawFn, bases: tuple[dict[str, Any], ...], keys: tuple[str, ...]) -> dict[str, Any]:
    """A valid tree with one to four changes; `keys` are real keys of other tables, to be put where they may not be."""
    tree = copied(draw(st.sampled_from(bases)), 100)
    for _ in range(draw(st.sampled_from((1, 1, 1, 2, 4)))):
        paths = places(tree)
        if not paths:
            break
        path = draw(st.sampled_from(paths))
        inside, key = holder(tree, path), path[-1]
        match draw(st.integers(0, 14)):
            case 0 | 1:
                inside[key] = copied(draw(VALUES))
            case 2 | 3 | 4 | 10 | 11 | 12 | 13 | 14:
                inside[key] = like(draw, inside[key])
            case 5:
                del inside[key]
            case 6 if isinstance(inside, dict):
                inside[draw(KEYS)] = inside.pop(key)
            case 7:
                inside[key] = [copied(inside[key]) for _ in range(draw(st.sampled_from((1, 2, 3, 50))))]
            case 8:
                other = draw(st.sampled_from(paths))
                inside[key] = copied(holder(tree, other)[other[-1]])
            case _ if isinstance(inside, dict):
                inside[draw(st.sampled_from(keys))] = copied(draw(VALUES))
            case _:
                inside[key] = {"kind": inside[key]}
    return tree


@st.composite
def bent(draw: st.DrawFn, texts: tuple[bytes, ...]) -> bytes:
    """A valid text with one to eight changes of bytes: overwritten, cut, doubled, moved or put in."""
    raw = draw(st.sampled_from(texts))
    for _ in range(draw(st.sampled_from((1, 1, 2, 4)))):
        at, length = draw(st.integers(0, max(0, len(raw) - 1))), draw(st.sampled_from((1, 1, 1, 2, 5, 40)))
        piece = draw(st.one_of(st.sampled_from(PIECES), st.binary(min_size=1, max_size=4)))
        match draw(st.integers(0, 5)):
            case 4 | 5 if b"=" in raw:  # all that stands for a value, up to the end of its line
                start = draw(st.sampled_from([n for n, c in enumerate(raw) if c == ord("=")])) + 1
                end = raw.find(b"\n", start)
                raw = raw[:start] + draw(st.sampled_from(INSTEAD)) + raw[end if end >= 0 else len(raw) :]
            case 0:
                raw = raw[:at] + piece + raw[at + len(piece) :]
            case 1:
                raw = raw[:at] + raw[at + length :]
            case 2:
                raw = raw[:at] + raw[at : at + length] * 2 + raw[at + length :]
            case _:
                raw = raw[:at] + piece + raw[at:]
    return raw


PIECES = (
    *(c.encode() for c in "[]{}\"'=.,-e90\n\r\0#\\_"), b'"""', b"inf", b"nan", b"[[", b"0x", b"1e400",
    b"\xff", b"\xc2\xb5", b"[" * 600, b"{a=" * 600, b"a." * 3000, b"9" * 5000, b"\xef\xbb\xbf", b"\n[design]\n",
    b"\n[part]\n", b"\n" * 50,
)  # fmt: skip


INSTEAD = (
    b"[" * 500 + b"]" * 500, b"[" * 17 + b"]" * 17, b"[" * 100_000, b"{a=" * 500 + b"1" + b"}" * 500, b"1.5",
    b"1e-200", b"1e150", b"5e-324", b"9" * 400, b"9" * 5000, b"0x1" + b"0" * 5000, b"1,5", b"1,", b"nan", b"-inf",
    b"inf", b"true", b"1979-05-27", b"", b'"\\u0000"', b'"C:\\new\\x.stl"', b"'C:\\x.stl'",
    b'"' + b"a" * 300_000 + b'"', b"1\n" + b"a." * 20_000 + b"a = 1",
)  # fmt: skip


def dumped(tree: dict[str, Any]) -> str:
    """A tree as TOML; tables at the top as tables, all else inline."""
    lines = [f"{quoted(key)} = {inline(value)}" for key, value in tree.items() if not isinstance(value, dict)]
    for key, value in tree.items():
        if isinstance(value, dict):
            lines.append(f"[{quoted(key)}]")
            lines += [f"{dotted(inner, held)}" for inner, held in value.items()]
    return "\n".join(lines) + "\n"


def dotted(key: str, value: Any) -> str:
    """key = value; tables of one key each as one dotted key."""
    name = quoted(key)
    while isinstance(value, dict) and len(value) == 1 and list(value) == ["a"]:
        name, value = f"{name}.a", value["a"]
    return f"{name} = {inline(value)}"


def quoted(text: str) -> str:
    return (
        json.dumps(text, ensure_ascii=True).replace("\x7f", "\\u007f") if text.isascii() else '"' + escaped(text) + '"'
    )


def escaped(text: str) -> str:
    return "".join(c if c.isalnum() else f"\\U{ord(c):08X}" for c in text if not 0xD800 <= ord(c) < 0xE000)


def inline(value: Any) -> str:
    """One value as TOML, however deep."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    if isinstance(value, list):
        depth = 0
        while isinstance(value, list) and len(value) == 1:
            value, depth = value[0], depth + 1
        core = f"[{', '.join(map(inline, value))}]" if isinstance(value, list) else inline(value)
        return "[" * depth + core + "]" * depth
    if isinstance(value, dict):
        return "{" + ", ".join(dotted(k, v) for k, v in value.items()) + "}"
    return value.isoformat() if isinstance(value, datetime.date | datetime.time) else str(value)
