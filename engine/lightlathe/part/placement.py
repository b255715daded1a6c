"""Placement of a part in the vial: scale, lay, rotate, centre, shift."""

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import PartError
from lightlathe.part.surface import Surface


def place(
    solid: Any,
    scale: float = 1.0,
    rotation_deg: Sequence[float] = (0.0, 0.0, 0.0),
    lay: Literal["across", "along"] | None = None,
    centre: bool = True,
    shift_mm: Sequence[float] = (0.0, 0.0, 0.0),
) -> Any:
    """Put a Surface, or an analytic shape, into the vial's frame (origin on the axis at half the grid's height, z up).

    Done in this order: scale; lay the longest side of the bounding box along z ("along") or along x ("across"), by
    renaming axes x -> y -> z -> x, which keeps handedness; turn about the fixed axes x, then y, then z (right-handed);
    move the middle of the bounding box to the origin; shift. An analytic shape stands upright and cannot be turned.
    Raises PartError for a scale that is not above 0, numbers that are not finite, a shape that would have to turn.
    """
    if not (math.isfinite(scale) and scale > 0):
        raise PartError(f"scale is {scale}; expected a number above 0 (a mirrored part is another part).")
    for name, three in (("rotation_deg", rotation_deg), ("shift_mm", shift_mm)):
        if len(three) != 3 or not all(math.isfinite(v) for v in three):
            raise PartError(f"{name} is {list(three)}; expected three finite numbers, for x, y and z.")
    if lay not in (None, "across", "along"):
        raise PartError(f"lay is {lay!r}; expected 'across' or 'along' the turning axis, or nothing.")
    if not isinstance(solid, Surface):
        if any(rotation_deg) or lay is not None:
            raise PartError(
                f"shape {type(solid).__name__.lower()} stands upright; it takes no rotation_deg and no lay. Swap its "
                "lengths, or use a mesh."
            )
        return solid.moved(scale, centre, shift_mm)
    middle = solid.bounds_mm.mean(axis=0)
    points = (solid.vertices_mm - middle) * scale  # about its own middle: far from the origin nothing is lost
    origin = middle * scale
    if lay is not None:
        steps = _steps(points, lay)
        points, origin = np.roll(points, steps, axis=1), np.roll(origin, steps)
    if any(rotation_deg):
        turn = rotation(rotation_deg)
        points, origin = _turned(points, turn), _turned(origin[None], turn)[0]
    if centre:
        points = points - (points.max(0) + points.min(0)) / 2
        origin = np.zeros(3)
    return solid.moved(points + (origin + np.asarray(shift_mm, dtype=np.float64)))


def matrix_to_vial(
    read: Surface,
    placed: Surface,
    scale: float = 1.0,
    rotation_deg: Sequence[float] = (0.0, 0.0, 0.0),
    lay: Literal["across", "along"] | None = None,
) -> NDArray[np.float64]:
    """(4, 4): from mm as a mesh was read to the vial's frame, where `place` and any shift after it put that mesh."""
    points = (read.vertices_mm - read.bounds_mm.mean(axis=0)) * scale  # as `place` takes them: ties end alike
    linear = np.eye(3) if lay is None else np.roll(np.eye(3), _steps(points, lay), axis=0)
    to_vial = np.eye(4)
    to_vial[:3, :3] = scale * rotation(rotation_deg) @ linear
    to_vial[:3, 3] = placed.vertices_mm[0] - to_vial[:3, :3] @ read.vertices_mm[0]
    return to_vial


def _steps(points: NDArray[np.float64], lay: Literal["across", "along"]) -> int:
    """By how many axes x -> y -> z -> x the longest side goes to z ("along") or x ("across")."""
    return ((2 if lay == "along" else 0) - int(np.ptp(points, axis=0).argmax())) % 3


def rotation(degrees: Sequence[float]) -> NDArray[np.float64]:
    """(3, 3) matrix that turns columns about the fixed axes x, then y, then z. Quarter turns are exact."""
    turn = np.eye(3)
    for axis, angle in enumerate(degrees):
        quarters = angle / 90
        if quarters == round(quarters):
            c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[round(quarters) % 4]
        else:
            c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        step = np.eye(3)
        i, j = (axis + 1) % 3, (axis + 2) % 3
        step[i, i], step[i, j], step[j, i], step[j, j] = c, -s, s, c
        turn = step @ turn
    return turn


def _turned(points: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each point turned by the same few operations, so that equal points stay equal (a matrix product may not)."""
    return np.stack([points[:, 0] * r[0] + points[:, 1] * r[1] + points[:, 2] * r[2] for r in turn], axis=1)
