"""A job: everything needed to design one print, typed and validated. One dataclass per table of the job file."""

import math
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Literal

from lightlathe.beams import RoundVial, Telecentric
from lightlathe.checks import path_in
from lightlathe.errors import JobError, shown
from lightlathe.families import Beam, Resin, Response, Shape
from lightlathe.job.bounds import positive
from lightlathe.job.design import Design
from lightlathe.job.vial import Vial
from lightlathe.part.units import MM_PER_UNIT, plain_unit
from lightlathe.projector import Linear
from lightlathe.support.own import OwnMember

ROUNDING_STEPS = 40
LONGEST_S = 86400.0  # where a job sets no longest exposure; no resin stays in place for longer than a day
WAVELENGTHS_NM = (200.0, 2000.0)  # glass and resin let nothing shorter through, and nothing longer starts a cure


@dataclass(frozen=True)
class PartTable:
    """One [part]: a mesh file or an analytic shape, and where it sits.

    role   part: must turn solid; insert: sits in the vial already, is not judged; keep_liquid: must stay liquid
    opaque   of an insert: True, no light enters it (metal, ceramic, anything dark); False, light passes through it as
             through resin. None of any other role
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

    def __post_init__(self) -> None:
        if self.role == "insert" and self.opaque is None:
            object.__setattr__(self, "opaque", True)
        if self.role != "insert" and self.opaque is not None:
            raise JobError(f'opaque is given for the role "{self.role}"; expected it with role = "insert" only.')
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
                if (
                    f.name not in ("mesh", "shape", "role", "wanted_dose", "opaque")
                    and getattr(self, f.name) != f.default
                ):
                    raise JobError(f"{f.name} goes with a mesh; a shape has its own lengths and its place, at_mm.")
        if self.unit is not None and plain_unit(self.unit) not in MM_PER_UNIT:
            raise JobError(f"unit is {shown(self.unit)}; expected one of {', '.join(MM_PER_UNIT)}.")


@dataclass(frozen=True)
class Light:
    """The projector, as measured in the vial's place without it: pixel pitch, field, peak irradiance, bits, response.

    wavelength_nm   for the check: how far light spreads by diffraction
    """

    pixel_mm: float
    columns: int
    rows: int
    irradiance_mw_cm2: float
    beam: Beam = Telecentric()  # noqa: RUF009, frozen
    bits: int = 8
    response: Response = Linear()  # noqa: RUF009, frozen
    wavelength_nm: float | None = None

    def __post_init__(self) -> None:
        positive("light", pixel_mm=self.pixel_mm, columns=self.columns, rows=self.rows)
        positive("light", irradiance_mw_cm2=self.irradiance_mw_cm2, wavelength_nm=self.wavelength_nm)
        if self.wavelength_nm is not None and not WAVELENGTHS_NM[0] <= self.wavelength_nm <= WAVELENGTHS_NM[1]:
            raise JobError(
                f"wavelength_nm is {self.wavelength_nm:g}; expected {WAVELENGTHS_NM[0]:g} to {WAVELENGTHS_NM[1]:g}, in "
                "nm. Is it in um? Multiply it by 1000."
            )
        if not 1 <= self.bits <= 16:
            raise JobError(f"bits is {self.bits}; expected 1 to 16 bits per pixel.")


def narrowing(light: Light, vial: Vial, resin: Resin) -> float:
    """Width of the light in the resin over that outside, where the beam is one of this program's."""
    if vial.surroundings in (None, "matched") or not isinstance(light.beam, Telecentric):
        return 1.0
    return RoundVial.of(vial, resin).narrowing


def width_mm(light: Light, vial: Vial, resin: Resin) -> float:
    """Width of the light in the resin. That of the whole vial where all rays that can enter it do: more would miss."""
    width, inner = light.columns * light.pixel_mm * narrowing(light, vial, resin), vial.inner_diameter_mm
    if vial.surroundings in (None, "matched") or not isinstance(light.beam, Telecentric):
        return width
    return max(width, inner) if width >= 2 * RoundVial.of(vial, resin).addressable_mm else width


@dataclass(frozen=True)
class Turn:
    """The turning stage. `sense` is how the vial turns, seen from above.

    motion   continuous: the vial keeps turning during an image, through the step centred on the image's angle;
             stepped: it stops for each image
    """

    angles: int
    seconds_per_turn: float
    sense: Literal["clockwise", "counterclockwise"] = "clockwise"
    motion: Literal["continuous", "stepped"] = "continuous"
    max_exposure_s: float | None = None

    def __post_init__(self) -> None:
        positive("turn", angles=self.angles, seconds_per_turn=self.seconds_per_turn, max_exposure_s=self.max_exposure_s)
        if self.max_exposure_s is not None and self.max_exposure_s < self.seconds_per_turn:
            raise JobError(
                f"max_exposure_s is {self.max_exposure_s}, less than one turn of {self.seconds_per_turn} s; "
                "expected one whole turn or more."
            )

    @property
    def longest_s(self) -> float:
        """Longest exposure allowed."""
        return self.max_exposure_s or LONGEST_S

    @property
    def dwell_s(self) -> float:
        return self.seconds_per_turn / self.angles

    @property
    def step_rad(self) -> float:
        """Change of the scan angle from image to image; the design's scan angle grows as the vial turns clockwise."""
        return (1 if self.sense == "clockwise" else -1) * 2 * math.pi / self.angles


@dataclass(frozen=True)
class GridTable:
    """`finer`: the print is judged once more on voxels this many times finer; 1 leaves that out.

    level_ends   on_rows: meshes whose flat bottom and top lie between two rows of pixels are moved onto rows, unless
                 the job shifts them along z; as_placed: they are not
    """

    voxel_mm: float
    margin_voxels: int = 2
    finer: int = 2
    level_ends: Literal["on_rows", "as_placed"] = "on_rows"

    def __post_init__(self) -> None:
        positive("grid", voxel_mm=self.voxel_mm)
        if not 1 <= self.finer <= 8:
            raise JobError(f"finer is {self.finer}; expected 1 (no finer grid) to 8, usually 2 or 3.")
        if self.margin_voxels < 0:
            raise JobError(f"margin_voxels is {self.margin_voxels}; expected 0 or more.")


@dataclass(frozen=True)
class Output:
    """`result`: the HDF5 file, relative to the job file; where left out the job's name, in the current folder."""

    result: str | None = None


@dataclass(frozen=True)
class Job:
    """A whole job file. Members of families are objects already; paths are relative to `folder`.

    notes   sentences on former names that were read as current ones (renamed.py)
    """

    name: str
    folder: Path
    text: str
    parts: tuple[PartTable, ...]
    vial: Vial
    resin: Resin
    light: Light
    turn: Turn
    grid: GridTable
    design: Design = field(default_factory=Design)
    output: Output = field(default_factory=Output)
    notes: tuple[str, ...] = ()

    @property
    def width_mm(self) -> float:
        """Width of the light in the resin."""
        return width_mm(self.light, self.vial, self.resin)

    @property
    def tolerance_mm(self) -> float:
        """Width of the band along the surface that is not judged."""
        return self.design.tolerance_mm or self.design.tolerance_voxels * self.grid.voxel_mm

    @property
    def rounding_steps(self) -> int:
        """Max steps on choosing levels; 0 for graded parts, which specify doses instead of a window."""
        if self.design.rounding_iterations is not None:
            return self.design.rounding_iterations
        return 0 if any(part.wanted_dose is not None for part in self.parts) else ROUNDING_STEPS

    def path(self, name: str) -> Path:
        """A path of the job file: relative to the job file's own folder, absolute, or in a home folder (`~/`)."""
        return path_in(self.folder, name)

    @property
    def own(self) -> tuple[OwnMember, ...]:
        """Members from the user's Python files; none is run before `load`."""
        design = self.design
        asked = (design.loss, design.solver, design.start, *design.penalties, design.stop)
        return (*self.own_of_print, *(member for member in asked if isinstance(member, OwnMember)))

    @property
    def own_of_print(self) -> tuple[OwnMember, ...]:
        """Those that define the part, the resin and the light: the check needs them too."""
        asked = (*(part.shape for part in self.parts), self.resin, self.light.beam, self.light.response)
        return tuple(member for member in asked if isinstance(member, OwnMember))

    def load(self, *, design: bool = True) -> "Job":
        """This job with its Python files run, each once; without `design` only those of `own_of_print`.

        Raises JobError for what a family cannot use. Only load files that you trust.
        """
        for member in self.own if design else self.own_of_print:
            member.load()
        return self
