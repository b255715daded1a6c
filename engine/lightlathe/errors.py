"""The errors a user may see. Each states the value, what was expected, where, and what to try."""

import reprlib
from typing import Any

LONG = 120  # characters of a value that an error message shows
_SHORT = reprlib.Repr()
_SHORT.maxlevel, _SHORT.maxdict, _SHORT.maxlist, _SHORT.maxtuple = 3, 6, 12, 12
_SHORT.maxstring = _SHORT.maxlong = _SHORT.maxother = LONG


def shown(value: Any) -> str:
    """A value for an error message: one line of limited length, terminal control characters escaped."""
    try:
        if isinstance(value, str):
            text = f"'{value}'" if value.isprintable() else repr(value)
        else:
            text = repr(value) if isinstance(value, int | float) else _SHORT.repr(value)
    except ValueError:  # Python writes out no whole number of more than 4300 digits
        return "a number of thousands of digits"
    return brief(text)


def brief(text: str) -> str:
    """A text of limited length, terminal control characters escaped."""
    cut = text if len(text) <= LONG else f"{text[: LONG // 2]} ... ({len(text)} characters)"
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in cut)


class LightlatheError(Exception):
    """Base of all errors that the user can fix; the command line prints them without a traceback."""


class JobError(LightlatheError):
    """A job file, or a value in it, cannot be used."""


class MeshError(LightlatheError):
    """A mesh file cannot be read as a solid."""


class PartError(LightlatheError):
    """The part does not fit the vial, the projector's field or the grid."""


class ShapeError(LightlatheError):
    """A tensor has other axes, another dtype or another device than the function takes."""


class KernelUnavailable(LightlatheError):
    """The kernel that was asked for cannot run here."""


class SolveError(LightlatheError):
    """The design cannot go on."""


class ResultError(LightlatheError):
    """A result file cannot be read, or does not hold what was asked for."""


class MeasurementError(LightlatheError):
    """A table of measurements cannot be read or does not determine what was asked for."""
