"""A job: everything needed to design one print, typed and validated. One dataclass per table of the job file."""

import math
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Literal

from lightlathe.beams import Telecentric
from lightlathe.checks import path_in
from lightlathe.dose.kernels import KERNELS
from lightlathe.errors import JobError, shown
from lightlathe.families import Beam, Loss, Penalty, Resin, Response, Shape, Stop
from lightlathe.losses import SoftWindow
from lightlathe.part.units import MM_PER_UNIT, plain_unit
from lightlathe.projector import Linear
from lightlathe.solve import BoundedLBFGS, Filtered, Solver, Start
from lightlathe.support.own import OwnMember

ROUNDING_STEPS = 40
LONGEST_S = 86400.0  # where a job sets no longest exposure; no resin stays in place for longer than a day
WAVELENGTHS_NM = (200.0, 2000.0)  # glass and resin let nothing shorter through, and nothing longer starts a cure
MAX_SCENARIOS = 1000  # each has a dose operator of its own, and a volume


def positive(owner: str, **values: float | None) -> None:
    """JobError unless every value given is above 0."""
    for name, value in values.items():
        if value is not None and not value > 0:
            raise JobError(f"{name} is {value}; expected a number above 0 in [{owner}].")


@dataclass(frozen=True)
class PartTable:
    """One [part]: a mesh file or an analytic shape, and where it sits.

    role   part: must turn solid; insert: sits in the vial already, is not judged; keep_liquid: must stay liquid
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

    def __post_init__(self) -> None:
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
                if f.name not in ("mesh", "shape", "role", "wanted_dose") and getattr(self, f.name) != f.default:
                    raise JobError(f"{f.name} goes with a mesh; a shape has its own lengths and its place, at_mm.")
        if self.unit is not None and plain_unit(self.unit) not in MM_PER_UNIT:
            raise JobError(f"unit is {shown(self.unit)}; expected one of {', '.join(MM_PER_UNIT)}.")


@dataclass(frozen=True)
class Vial:
    inner_diameter_mm: float
    resin_height_mm: float

    def __post_init__(self) -> None:
        positive("vial", inner_diameter_mm=self.inner_diameter_mm, resin_height_mm=self.resin_height_mm)

    @property
    def radius_mm(self) -> float:
        return self.inner_diameter_mm / 2


@dataclass(frozen=True)
class Light:
    """The projector, as measured inside the vial: pixel pitch in the resin, field, peak irradiance, bits and response.

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
        positive("turn", angles=self.angles, seconds_per_turn=self.seconds_per_turn)
        positive("turn", max_exposure_s=self.max_exposure_s)
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
    """`finer`: the print is judged once more on voxels this many times finer; 1 leaves that out."""

    voxel_mm: float
    margin_voxels: int = 2
    finer: int = 2

    def __post_init__(self) -> None:
        positive("grid", voxel_mm=self.voxel_mm)
        if not 1 <= self.finer <= 8:
            raise JobError(f"finer is {self.finer}; expected 1 (no finer grid) to 8, usually 2 or 3.")
        if self.margin_voxels < 0:
            raise JobError(f"margin_voxels is {self.margin_voxels}; expected 0 or more.")


@dataclass(frozen=True)
class Robust:
    """Scenarios that must all print at one exposure: every combination of the values listed."""

    absorption_percent: tuple[float, ...] = (0.0,)
    dose_percent: tuple[float, ...] = (0.0,)
    axis_offset_mm: tuple[float, ...] = (0.0,)

    def __post_init__(self) -> None:
        for f in fields(self):
            if not getattr(self, f.name):
                raise JobError(f"{f.name} is an empty list; expected one number or more, 0 for the plain case.")
        for name in ("absorption_percent", "dose_percent"):
            if min(getattr(self, name)) < -99:
                raise JobError(f"{name} holds {min(getattr(self, name))}; expected changes of -99 percent or more.")
        count = math.prod(len(getattr(self, f.name)) for f in fields(self))
        if count > MAX_SCENARIOS:
            raise JobError(f"the lists make {count} scenarios; expected {MAX_SCENARIOS} at most.")


@dataclass(frozen=True)
class CoarseStage:
    """A coarse-to-fine stage: a design on coarser voxels, the initial guess of the next."""

    coarser: float
    iterations: int

    def __post_init__(self) -> None:
        positive("design.ladder", iterations=self.iterations)
        if not self.coarser > 1:
            raise JobError(f"coarser is {self.coarser}; expected how many times larger the voxels are, above 1.")


@dataclass(frozen=True)
class Design:
    """How the patterns are designed.

    weight        coverage: a voxel counts by how clearly it is in or out; even: all count alike
    part_weight   how much a voxel of the part counts against one outside it
    penalties     terms on the patterns, added to the loss
    stop          rules for stopping early
    robust        scenarios that must all print
    ladder        coarse-to-fine stages, coarsest first; see CoarseStage
    bound_iterations   steps on the upper bound of the window; 0: no certificate

    rounding_iterations   steps spent on choosing between the levels above and below; left out: up to 40, where the
                  nearest ones cost more than 0.001 of the window, and none with `wanted_dose`
    seed          of the random numbers that a loss of your own may draw; nothing else here is random
    level_limit   no pixel brighter than this many times the even level that would just cure the part
    tolerance_mm, tolerance_voxels   band along the surface that is left out of design and judging; one of the two
    precision     half: GPU kernels may round light and weights to 11 bits, all else is float32; single: nothing is
                  rounded so; double: float64 throughout (CPU, or the reference kernel)
    """

    loss: Loss = SoftWindow()  # noqa: RUF009, frozen
    solver: Solver = BoundedLBFGS()  # noqa: RUF009, frozen
    start: Start = Filtered()  # noqa: RUF009, frozen
    weight: Literal["coverage", "even"] = "even"
    part_weight: float = 1.0
    penalties: tuple[Penalty, ...] = ()
    stop: Stop | None = None
    robust: Robust | None = None
    ladder: tuple[CoarseStage, ...] = ()
    iterations: int = 60
    bound_iterations: int = 100
    rounding_iterations: int | None = None
    level_limit: float = 10.0
    tolerance_mm: float = 0.0
    tolerance_voxels: float = 0.0
    seed: int = 0
    kernel: str = "auto"
    device: str = "auto"
    precision: Literal["half", "single", "double"] = "half"

    def __post_init__(self) -> None:
        positive("design", iterations=self.iterations, level_limit=self.level_limit)
        if self.kernel not in ("auto", *KERNELS):
            raise JobError(f"kernel is {shown(self.kernel)}; expected 'auto' or one of {', '.join(KERNELS)}.")
        if not 1e-3 <= self.part_weight <= 1e3:
            raise JobError(f"part_weight is {self.part_weight}; expected 0.001 to 1000.")
        widths = [stage.coarser for stage in self.ladder if isinstance(stage, CoarseStage)]
        if widths != sorted(widths, reverse=True):
            raise JobError(
                f"ladder has voxels {shown(widths)} times larger, in this order; expected the coarsest first."
            )
        for name in ("bound_iterations", "rounding_iterations"):
            if (getattr(self, name) or 0) < 0:
                raise JobError(f"{name} is {getattr(self, name)}; expected 0 or more.")
        if not 0 <= self.seed < 2**63:
            raise JobError(f"seed is {self.seed}; expected a whole number from 0 to 2^63 - 1.")
        for name in ("tolerance_mm", "tolerance_voxels"):
            if getattr(self, name) < 0:
                raise JobError(f"{name} is {getattr(self, name)}; expected 0 or more.")
        if self.tolerance_mm and self.tolerance_voxels:
            raise JobError("tolerance_mm and tolerance_voxels are both given; expected one of them.")


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
