"""What `lightlathe predict` was asked to assume: keys of [vial] and [light], and all of it in words."""

import argparse
import contextlib
import math
from collections.abc import Callable


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


WORDS: dict[str, Callable[..., str]] = {  # by option; of those that were given
    "absorption": "absorption {:g} 1/mm".format,
    "exposure": "exposure {:g} s".format,
    "axis_offset": "axis off by {:g} mm".format,
    "axis_tilt_deg": "axis tilted by {:g} degrees".format,
    "sense": "vial turning {}".format,
    "motion": lambda how: f"vial {'turning on' if how == 'continuous' else 'standing still'} under each image",
    "surroundings": "surroundings {}".format,
    "wall_mm": "a wall of {:g} mm".format,
    "wall_index": "a wall of index {:g}".format,
    "resin_index": "resin of index {:g}".format,
    "insert_offset": lambda mm: f"inserts {mm[0]:g} mm off along x and {mm[1]:g} mm along y",
    "pixel_shape": "{} pixels".format,
    "fill_factor": lambda share: f"{100 * share:g} % of each shining",
    "blur_mm": "blurred by {:g} mm".format,
    "numerical_aperture": "numerical aperture {:g}".format,
    "focus_mm": "plane of focus {:g} mm behind the axis".format,
    "throw_ratio": lambda ratio: "parallel light" if ratio == math.inf else f"light of a lens of throw ratio {ratio:g}",
}


def assumptions(arguments: argparse.Namespace, resin_index: float) -> str:
    """What `predict` was asked to assume, in words; other surroundings with the resin's index, on which they depend."""
    vial = vial_assumed(arguments)
    given = vars(arguments) | vial | ({"resin_index": resin_index} if vial else {})
    given |= {"axis_offset": arguments.axis_offset or None, "axis_tilt_deg": arguments.axis_tilt_deg or None}
    said = (words(given[option]) for option, words in WORDS.items() if given.get(option) is not None)
    return ", ".join(said) or "as designed"
