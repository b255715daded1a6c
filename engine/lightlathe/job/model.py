"""A job: everything needed to design one print, typed and validated. One dataclass per table of the job file."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from lightlathe.checks import path_in
from lightlathe.errors import JobError
from lightlathe.families import Resin
from lightlathe.job.bounds import positive
from lightlathe.job.design import Design
from lightlathe.job.light import Light
from lightlathe.job.lit_space import height_mm, width_mm
from lightlathe.job.parts import PartTable
from lightlathe.job.vial import Vial
from lightlathe.support.own import OwnMember

ROUNDING_STEPS = 40
LONGEST_S = 86400.0  # where a job sets no longest exposure; no resin stays in place for longer than a day


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

    notes     the texts of [notes] by name
    renamed   sentences on former names that were read as current ones (renamed.py)
    files     (name, SHA-256) of the files of [light] and [resin] that were read with the job
    assumed   dotted keys of [vial], [resin], [light] and [turn] that the job leaves out and that have a default
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
    notes: Mapping[str, str] = field(default_factory=dict)
    renamed: tuple[str, ...] = ()
    files: tuple[tuple[str, str], ...] = ()
    assumed: tuple[str, ...] = field(default=(), compare=False)  # a job is the same, whoever states its values

    @property
    def width_mm(self) -> float:
        """Width of the light in the resin."""
        return width_mm(self.light, self.vial, self.resin)

    def height_mm(self, reach_mm: float) -> float:
        """Height of the light within `reach_mm` of the axis."""
        return height_mm(self.light, self.vial, self.resin, reach_mm)

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
