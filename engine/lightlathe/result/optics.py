"""/optics of a result: the inputs of the dose operator."""

from typing import Any

import numpy as np
import torch

from lightlathe.errors import ShapeError
from lightlathe.quantities import Astigmatism, Chords, Defocus, Footprint, Magnification, Optics, Tilt
from lightlathe.result.put import put
from lightlathe.result.tree import Node

SPREAD = {"at_foot": "1", "per_mm": "1/mm"}  # of rows that spread with depth
COLUMNS = {"offset_mm": "mm", "deflection_rad": "rad", "transmittance": "1"}  # of the chords, one number per column


def put_optics(group: Any, optics: Optics) -> None:
    """The inputs of the dose operator, except the scan angles, which are those of the patterns."""
    chords = optics.chords
    for name, units in COLUMNS.items():
        put(group, name, getattr(chords, name).double().cpu().numpy(), units, ("column",))
    if optics.illumination is not None:
        put(group, "illumination", optics.illumination.double().cpu().numpy(), "1", ("column", "row"))
    pixel = optics.footprint
    group.attrs.update({
        "pixel_shape": pixel.shape, "pixel_width": pixel.width, "blur_sigma_pixels": pixel.sigma,
    })  # fmt: skip
    if isinstance(optics.defocus, Astigmatism):
        put(group, "focus_along_mm", optics.defocus.focus_mm.double().cpu().numpy(), "mm", ("column",))
        group.attrs.update({"cone_per_mm": optics.defocus.per_mm, "directions_rad": optics.defocus.turn_rad})
    elif optics.defocus is not None:
        group.attrs.update({"cone_per_mm": optics.defocus.per_mm, "focus_mm": optics.defocus.focus_mm})
    group.attrs.update({"rows": chords.rows, "row_mm": chords.row_mm, "crossing": chords.crossing})
    if chords.magnification is not None:
        for name, units in SPREAD.items():
            put(group, name, getattr(chords.magnification, name).double().cpu().numpy(), units, ("column",))
        group.attrs["pupil_z_mm"] = chords.magnification.pupil_z_mm
    for name in ("dark_before", "dark_after"):
        if getattr(chords, name) is not None:
            group.attrs[name] = list(getattr(chords, name))
    if optics.tilt is not None:
        angle_rad, column, pixel_mm = optics.tilt.angle_rad, optics.tilt.axis_column, optics.tilt.pixel_mm
        group.attrs.update({"axis_tilt_rad": angle_rad, "axis_column": column, "axis_pixel_mm": pixel_mm})
    group.attrs.update({"absorption_per_mm": optics.absorption_per_mm, "vial_radius_mm": optics.vial_radius_mm})


def optics_in(root: Node, levels: tuple[int, ...], angle_rad: np.ndarray) -> Optics | None:
    """What `put_optics` wrote, for patterns of shape `levels`; None where it did not."""
    if root.find("optics") is None:
        return None
    found = {name: root.array(f"optics/{name}", "f8", levels[1:2]) for name in COLUMNS}
    if not all(np.isfinite(values).all() for values in found.values()):
        raise ValueError("optics holds what is no finite number")
    at = root["optics"]
    offset_mm, deflection_rad, transmittance = (torch.from_numpy(found[name]) for name in COLUMNS)
    rows, row_mm = at.count("rows", levels[2], levels[2]), at.length("row_mm")
    crossing = bool(at.attrs.get("crossing", False))
    angle = torch.from_numpy(angle_rad)
    spread = None
    if root.find("optics/at_foot") is not None:
        at_foot, per_mm = (torch.from_numpy(root.array(f"optics/{name}", "f8", levels[1:2])) for name in SPREAD)
        spread = Magnification(at_foot, per_mm, at.attribute("pupil_z_mm", float))
    before, after = (_dark_chord(at, name) for name in ("dark_before", "dark_after"))
    chords = Chords(angle, offset_mm, deflection_rad, transmittance, rows, row_mm, before, after, crossing, spread)
    light = None
    if root.find("optics/illumination") is not None:
        light = root.array("optics/illumination", "f8", levels[1:3])
        if not (np.isfinite(light).all() and light.min() >= 0 and light.max() <= 1):
            raise ValueError("optics/illumination is beyond 0 to 1")
        light = torch.from_numpy(light)
    radius_mm, absorption = at.length("vial_radius_mm"), at.length("absorption_per_mm")
    return Optics(
        chords, radius_mm, absorption, footprint_in(at.attrs), light, defocus_in(root, levels[1:2]), tilt=tilt_in(at)
    )


def footprint_in(attrs: Any) -> Footprint:
    """What `put_optics` wrote of it; linear pixels without blur in files from before that."""
    if "pixel_shape" not in attrs:
        return Footprint()
    shape = str(attrs["pixel_shape"])
    if shape not in ("linear", "square"):
        raise ValueError(f"optics: pixel_shape is {shape!r}")
    try:
        width, sigma = float(attrs["pixel_width"]), float(attrs["blur_sigma_pixels"])
        return Footprint("square" if shape == "square" else "linear", width, sigma)
    except (KeyError, ShapeError) as problem:
        raise ValueError(f"optics: {problem}") from None


def defocus_in(root: Node, columns: tuple[int, ...]) -> Defocus | Astigmatism | None:
    """What `put_optics` wrote of it; None where light keeps its width."""
    optics = root["optics"]
    if "cone_per_mm" not in optics.attrs:
        return None
    try:
        if root.find("optics/focus_along_mm") is not None:
            focus = torch.from_numpy(root.array("optics/focus_along_mm", "f8", columns))
            return Astigmatism(optics.attribute("cone_per_mm", float), focus, optics.attribute("directions_rad", float))
        return Defocus(optics.attribute("cone_per_mm", float), optics.attribute("focus_mm", float))
    except ShapeError as problem:
        raise ValueError(f"optics: {problem}") from None


def tilt_in(optics: Node) -> Tilt | None:
    """What `put_optics` wrote of it; None where the axis is not tilted, and in files from before that."""
    if "axis_tilt_rad" not in optics.attrs:
        return None
    try:
        return Tilt(*(optics.attribute(name, float) for name in ("axis_tilt_rad", "axis_column", "axis_pixel_mm")))
    except ShapeError as problem:
        raise ValueError(f"optics: {problem}") from None


def _dark_chord(optics: Node, name: str) -> tuple[float, float] | None:
    """Offset and deflection of the dark chord beyond an end; None where the file has none."""
    if name not in optics.attrs:
        return None
    values = optics.attribute(name, list)
    if len(values) != 2 or not np.isfinite(np.asarray(values, float)).all():
        raise ValueError(f"{name} of optics is {str(values)[:60]}; expected two finite numbers")
    return float(values[0]), float(values[1])
