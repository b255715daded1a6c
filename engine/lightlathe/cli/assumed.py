"""What `lightlathe predict` was asked to assume: keys of [vial] and [light], and all of it in words."""

import argparse
import contextlib
import math


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


def assumptions(arguments: argparse.Namespace, resin_index: float) -> str:
    """What `predict` was asked to assume, in words; other surroundings with the resin's index, on which they depend."""
    said = []
    if arguments.absorption is not None:
        said.append(f"absorption {arguments.absorption:g} 1/mm")
    if arguments.exposure is not None:
        said.append(f"exposure {arguments.exposure:g} s")
    if arguments.axis_offset:
        said.append(f"axis off by {arguments.axis_offset:g} mm")
    if arguments.sense is not None:
        said.append(f"vial turning {arguments.sense}")
    if arguments.motion is not None:
        turning = "turning on" if arguments.motion == "continuous" else "standing still"
        said.append(f"vial {turning} under each image")
    vial = vial_assumed(arguments)
    if "surroundings" in vial:
        said.append(f"surroundings {vial['surroundings']}")
    if "wall_mm" in vial:
        said.append(f"a wall of {vial['wall_mm']:g} mm")
    if "wall_index" in vial:
        said.append(f"a wall of index {vial['wall_index']:g}")
    if vial:
        said.append(f"resin of index {resin_index:g}")
    if arguments.insert_offset is not None:
        x, y = arguments.insert_offset
        said.append(f"inserts {x:g} mm off along x and {y:g} mm along y")
    light = light_assumed(arguments)
    if "pixel_shape" in light:
        said.append(f"{light['pixel_shape']} pixels")
    if "fill_factor" in light:
        said.append(f"{100 * float(light['fill_factor']):g} % of each shining")
    if "blur_mm" in light:
        said.append(f"blurred by {light['blur_mm']:g} mm")
    if "numerical_aperture" in light:
        said.append(f"numerical aperture {light['numerical_aperture']:g}")
    if "focus_mm" in light:
        said.append(f"plane of focus {light['focus_mm']:g} mm behind the axis")
    if "throw_ratio" in light:
        ratio = float(light["throw_ratio"])
        said.append("parallel light" if ratio == math.inf else f"light of a lens of throw ratio {ratio:g}")
    return ", ".join(said) or "as designed"
