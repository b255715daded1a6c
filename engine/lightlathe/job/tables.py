"""From a TOML table to a frozen dataclass, whose fields are the keys: there is no separate schema.

Every error names file, table, key, the value and what was expected.
"""

import dataclasses
import math
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from lightlathe.errors import JobError, LightlatheError, shown
from lightlathe.job.bounds import require_possible
from lightlathe.job.meant import meant
from lightlathe.support.own import OwnMember
from lightlathe.support.own_file import is_own


@dataclass(frozen=True)
class Where:
    """The place that an error names: file and table."""

    file: str
    table: str

    def __str__(self) -> str:
        return f"{self.file} [{self.table}]"

    def inner(self, key: str) -> "Where":
        return Where(self.file, f"{self.table}.{key}" if self.table else key)


def build(cls: type, table: Mapping[str, Any], where: Where, also: tuple[str, ...] = ()) -> Any:
    """An instance of dataclass `cls` from a TOML table; `also` names keys that the caller has used already."""
    if not isinstance(table, Mapping):
        raise JobError(f"{where}: got {shown(table)}; expected a table of keys.")
    hints = typing.get_type_hints(cls)
    fields = {f.name: f for f in dataclasses.fields(cls) if f.init}
    for key in table:
        if key not in fields and key not in also:
            raise JobError(unknown(where, "key", key, fields))
    values = {}
    for name, f in fields.items():
        if name in table:
            values[name] = convert(table[name], hints[name], name, where)
        elif f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING:
            raise JobError(f"{where}: key '{name}' is missing; expected {describe(hints[name])}.")
    try:
        for name, value in values.items():
            require_possible(name, value)
        return cls(**values)
    except LightlatheError as problem:
        raise type(problem)(f"{where}: {problem}") from None


def choose_member(
    family: Mapping[str, type], value: Any, where: Where, own: Callable[[str, dict[str, Any]], Any] | None = None
) -> Any:
    """A member of a family from its name, or from a table whose key `kind` names it and whose rest are its fields.

    own   makes one of "file.py:name" and settings, where the family takes them
    A member object (defaults, jobs made in Python) is returned unchanged.
    """
    if isinstance(value, (*family.values(), OwnMember)):
        return value
    if isinstance(value, str):
        kind, rest = value, {}
    elif isinstance(value, Mapping) and isinstance(value.get("kind"), str):
        kind, rest = value["kind"], value
    else:
        raise JobError(f"{where}: got {shown(value)}; expected a name or a table with the key 'kind'. {_names(family)}")
    if own is not None and is_own(kind):
        try:
            return own(kind, {key: setting for key, setting in rest.items() if key != "kind"})
        except JobError as problem:
            raise JobError(f"{where}: {problem}") from None
    if kind not in family:
        raise JobError(unknown(where, "kind", kind, family))
    return build(family[kind], rest, where, also=("kind",))


def unknown(where: Where, what: str, came: str, known: Any) -> str:
    return f"{where}: unknown {what} {shown(came)}.{meant(came, known)}\n  {_names(known)}"


def _names(known: Any) -> str:
    return f"Known here: {', '.join(sorted(known))}." if known else "It takes no keys."


def convert(value: Any, hint: Any, key: str, where: Where) -> Any:
    """`value` as the type `hint`, or JobError; whole numbers pass as floats, nothing else is converted."""
    origin = typing.get_origin(hint)
    if origin in (typing.Union, types.UnionType):
        options = [h for h in typing.get_args(hint) if h is not type(None)]
        for option in options[:-1]:
            try:
                return convert(value, option, key, where)
            except JobError:
                continue
        if typing.get_origin(options[-1]) is Literal and value not in typing.get_args(options[-1]):
            raise JobError(f"{where}: {key} is {shown(value)}; expected {describe(hint)}.")
        return convert(value, options[-1], key, where)
    if origin is Literal:
        if value not in typing.get_args(hint):
            raise JobError(f"{where}: {key} is {shown(value)}; expected {describe(hint)}.")
        return value
    if origin is tuple:
        args = typing.get_args(hint)
        endless = len(args) == 2 and args[1] is Ellipsis
        if not isinstance(value, list) or (not endless and len(value) != len(args)):
            raise JobError(f"{where}: {key} is {shown(value)}; expected {describe(hint)}.")
        inner = [args[0]] * len(value) if endless else args
        return tuple(convert(v, h, key, where) for v, h in zip(value, inner, strict=True))
    if hint is float and isinstance(value, int | float) and not isinstance(value, bool):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise JobError(f"{where}: {key} is {shown(value)}; expected a finite number.")
        return number
    if hint is int and isinstance(value, int) and not isinstance(value, bool):
        if not -(2**63) <= value < 2**63:  # the range that TOML asks for
            raise JobError(f"{where}: {key} is {shown(value)}; expected a whole number of at most 64 bits.")
        return value
    if hint in (str, bool) and isinstance(value, hint):
        return value
    if hint is Any or hint is object or getattr(hint, "_is_protocol", False) or dataclasses.is_dataclass(hint):
        return value  # a table of its own, read by who knows it
    raise JobError(f"{where}: {key} is {shown(value)}; expected {describe(hint)}.")


def describe(hint: Any) -> str:
    """A type in words for an error message."""
    origin = typing.get_origin(hint)
    args = typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(describe(a) for a in args if a is not type(None))
    if origin is Literal:
        return "one of " + ", ".join(f"'{a}'" for a in args)
    if origin is tuple:
        if len(args) == 2 and args[1] is Ellipsis:
            return f"a list, each {describe(args[0])}"
        return f"a list of {len(args)}, each {describe(args[0])}"
    words = {float: "a number", int: "a whole number", str: 'a text in "quotes"', bool: "true or false"}
    return words.get(hint, "a name or a table with the key 'kind'")
