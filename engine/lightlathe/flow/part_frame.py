"""The coordinates of the mesh that a part came from: the way back from the vial."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightlathe.errors import ResultError
from lightlathe.part.units import MM_PER_UNIT
from lightlathe.result import Record


@dataclass(frozen=True, eq=False)
class PartFrame:
    """Coordinates in which a surface is given to the user.

    unit       of its numbers, one of MM_PER_UNIT
    to_vial    (4, 4): from mm in these axes to the vial's frame
    words      which frame it is
    """

    unit: str
    to_vial: NDArray[np.float64]
    words: str

    @property
    def mm_per_unit(self) -> float:
        return MM_PER_UNIT[self.unit]

    @property
    def scale(self) -> float:
        """Length in the vial over that in these axes, both in mm."""
        return float(np.cbrt(np.linalg.det(self.to_vial[:3, :3])))

    def points(self, vial_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n, 3) numbers in `unit` of points (n, 3) in the vial, mm."""
        back = np.linalg.inv(self.to_vial[:3, :3])
        return (vial_mm - self.to_vial[:3, 3]) @ back.T / self.mm_per_unit


VIAL = PartFrame("mm", np.eye(4), "the vial's frame")


def part_frame(record: Record) -> PartFrame:
    """The frame of a record's mesh; the vial's where its parts are shapes. ResultError where the file lacks it."""
    facts = record.facts
    if "part_to_vial" not in facts:
        raise ResultError(
            "this result does not hold how its part was placed in the vial (results of before 1 December 2026 do not). "
            "Take the vial's coordinates, --frame vial, or design again."
        )
    name, unit, numbers = facts["part_frame"], facts["part_unit"], np.asarray(facts["part_to_vial"], np.float64)
    if unit not in MM_PER_UNIT or numbers.shape != (16,) or not np.isfinite(numbers).all():
        raise ResultError(f"the placement in this result is damaged: unit {unit!r}, {numbers.shape} numbers.")
    to_vial = numbers.reshape(4, 4)
    if not np.linalg.det(to_vial[:3, :3]) > 0:
        raise ResultError("the placement in this result is damaged: its matrix mirrors or flattens the part.")
    if not name:
        return VIAL
    others = "" if facts.get("part_frame_shared", True) else "; other parts of the job have frames of their own"
    return PartFrame(unit, to_vial, f"the coordinates of {name}{others}")
