"""A [part] of a job: what is printed, what it is printed around, and what stays liquid."""

from dataclasses import dataclass, fields
from typing import Literal

from lightlathe.errors import JobError, shown
from lightlathe.families import Shape
from lightlathe.job.bounds import positive
from lightlathe.part.units import MM_PER_UNIT, plain_unit

OF_ANY_SOLID = ("mesh", "shape", "role", "wanted_dose", "opaque", "absorption_per_mm")  # the rest is of a mesh alone


@dataclass(frozen=True)
class PartTable:
    """One [part]: a mesh file or an analytic shape, and where it sits.

    role   part: must turn solid; insert: sits in the vial already, is not judged; keep_liquid: must stay liquid
    opaque   of an insert: True, no light enters it (metal, ceramic, anything dark); False, light passes through it as
             through resin. None of any other role, and where the insert's own absorption is given
    absorption_per_mm   of an insert that light crosses, base e; 0: it takes no light at all
    lay    along or across: turn the longest side along the axis or across it, before rotation_deg
    centre middle of the box on the axis at half height; several meshes are centred as one and keep their places
    wanted_dose   of this solid in units of the gel dose, for graded parts; takes a loss that aims at doses
    """

    mesh: str | None = None
    shape: Shape | None = None
    unit: str | None = None
    role: Literal["part", "insert", "keep_liquid"] = "part"
    scale: float = 1.0
    rotation_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lay: Literal["along", "across"] | None = None
    centre: bool = True
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    wanted_dose: float | None = None
    opaque: bool | None = None
    absorption_per_mm: float | None = None

    def __post_init__(self) -> None:
        _require_one_light(self.role, self.opaque, self.absorption_per_mm)
        if self.role == "insert" and self.opaque is None and self.absorption_per_mm is None:
            object.__setattr__(self, "opaque", True)
        if (self.mesh is None) == (self.shape is None):
            raise JobError('expected either mesh = "file" or shape = { kind = ... }, not both and not neither.')
        positive("part", scale=self.scale)
        if self.wanted_dose is not None and not 1 < self.wanted_dose <= 100:
            raise JobError(
                f"wanted_dose is {self.wanted_dose}; expected gel doses, above 1 (at 1 the resin just turns solid), at "
                "most 100."
            )
        if self.wanted_dose is not None and self.role != "part":
            raise JobError(f'wanted_dose is given for the role "{self.role}"; expected it with role = "part" only.')
        if self.shape is not None:
            for f in fields(self):
                if f.name not in OF_ANY_SOLID and getattr(self, f.name) != f.default:
                    raise JobError(f"{f.name} goes with a mesh; a shape has its own lengths and its place, at_mm.")
        if self.unit is not None and plain_unit(self.unit) not in MM_PER_UNIT:
            raise JobError(f"unit is {shown(self.unit)}; expected one of {', '.join(MM_PER_UNIT)}.")


def _require_one_light(role: str, opaque: bool | None, absorption_per_mm: float | None) -> None:
    """JobError unless a solid says in one way at most, and only as an insert, what it does to light."""
    for name, given in (("opaque", opaque), ("absorption_per_mm", absorption_per_mm)):
        if role != "insert" and given is not None:
            raise JobError(f'{name} is given for the role "{role}"; expected it with role = "insert" only.')
    if opaque is not None and absorption_per_mm is not None:
        raise JobError(
            f"both opaque = {str(opaque).lower()} and absorption_per_mm = {absorption_per_mm:g} are given; expected "
            "one of them: opaque = true ends light, opaque = false lets it through as resin does, absorption_per_mm "
            "dims it."
        )
    if absorption_per_mm is not None and absorption_per_mm < 0:
        raise JobError(f"absorption_per_mm is {absorption_per_mm:g}; expected 0 (light loses nothing) or more.")
