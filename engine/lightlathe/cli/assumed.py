"""What `lightlathe predict` was asked to assume: keys of [vial] and [light], and all of it in words."""

import argparse
import contextlib
import math
import re
from collections.abc import Callable, Iterator

from lightlathe.errors import JobError


def vial_assumed(arguments: argparse.Namespace) -> dict[str, str | float]:
    """The keys of [vial] that `predict` was asked to assume."""
    found = {key: getattr(arguments, key) for key in ("surroundings", "wall_mm", "wall_index")}
    with contextlib.suppress(TypeError, ValueError):
        found["surroundings"] = float(found["surroundings"])
    return {key: value for key, value in found.items() if value is not None}


def light_assumed(arguments: argparse.Namespace) -> dict[str, str | float]:
    """The keys of [light] that `predict` was asked to assume."""
    keys = ("pixel_shape", "fill_factor", "blur_mm", "numerical_aperture", "focus_mm", "throw_ratio")
    found = {key: getattr(arguments, key) for key in keys}
    return {key: value for key, value in found.items() if value is not None}


OPTIONS = {  # of the keys that a message about an assumption may name; else the key with dashes
    "absorption_per_mm": "--absorption", "exposure_s": "--exposure", "axis_offset_mm": "--axis-offset",
    "insert_offset_mm": "--insert-offset",
}  # fmt: skip
KEYS = (
    *OPTIONS, "surroundings", "wall_mm", "wall_index", "pixel_shape", "fill_factor", "blur_mm", "numerical_aperture",
    "focus_mm", "throw_ratio", "axis_tilt_deg",
)  # fmt: skip
_KEY = re.compile(rf"\b({'|'.join(KEYS)})\b(?: = \"?([\w.]+)\"?)?")


@contextlib.contextmanager
def in_options() -> Iterator[None]:
    """Errors about keys of a job, which nobody wrote here, name the options that stand for them."""
    try:
        yield
    except JobError as problem:
        words = re.sub(r"^the assumptions(?: \[\w+\])?: ", "", str(problem))
        raise JobError(_KEY.sub(_as_option, words).replace(" in [vial]", "").replace(" in [light]", "")) from problem


def _as_option(match: "re.Match[str]") -> str:
    option = OPTIONS.get(match[1], f"--{match[1].replace('_', '-')}")
    return option if match[2] is None else f"{option} {match[2]}"


WORDS: dict[str, Callable[..., str]] = {  # by option; of those that were given
    "absorption": "absorption {:g} 1/mm".format,
    "exposure": "exposure {:g} s".format,
    "axis_offset": "axis off by {:g} mm".format,
    "axis_tilt_deg": lambda deg: f"axis tilted by {deg:g} {'degree' if abs(deg) == 1 else 'degrees'}",
    "sense": "vial turning {}".format,
    "motion": lambda how: f"vial {'turning on' if how == 'continuous' else 'standing still'} under each image",
    "surroundings": "surroundings {}".format,
    "wall_mm": "a wall of {:g} mm".format,
    "wall_index": "a wall of index {:g}".format,
    "resin_index": "resin of index {}".format,
    "insert_offset": lambda mm: f"inserts {mm[0]:g} mm off along x and {mm[1]:g} mm along y",
    "pixel_shape": "{} pixels".format,
    "fill_factor": lambda share: f"{100 * share:g} % of each shining",
    "blur_mm": "blurred by {:g} mm".format,
    "numerical_aperture": "numerical aperture {:g}".format,
    "focus_mm": "plane of focus {:g} mm behind the axis".format,
    "throw_ratio": lambda ratio: "parallel light" if ratio == math.inf else f"light of a lens of throw ratio {ratio:g}",
}


def assumptions(arguments: argparse.Namespace, resin_index: float, *, index_assumed: bool = False) -> str:
    """What `predict` was asked to assume, in words; other surroundings with the resin's index, on which they depend.

    index_assumed   the job does not give it
    """
    vial = vial_assumed(arguments)
    index = f"{resin_index:g}{' (assumed: the job gives none)' if index_assumed else ''}"
    given = vars(arguments) | vial | ({"resin_index": index} if vial else {})
    given |= {"axis_offset": arguments.axis_offset or None, "axis_tilt_deg": arguments.axis_tilt_deg or None}
    said = (words(given[option]) for option, words in WORDS.items() if given.get(option) is not None)
    return ", ".join(said) or "as designed"
