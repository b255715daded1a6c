"""The data types that stages exchange. Axes, frames and units are defined here and nowhere else.

Lengths mm, angles rad, doses mJ/cm3, absorption 1/mm (base e). Volumes are [x, y, z] and patterns
[angle, column, row], both C-ordered with z (row 0 lowest) as the last, contiguous axis.
Vial frame: x, y, z right-handed, z up along the turning axis, origin on the axis at half the grid's height.
Lab frame: s across, t along the light; at scan angle a the point (x, y) sits at
s = x cos a + y sin a, t = -x sin a + y cos a.
"""

import math
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import ShapeError
from lightlathe.support.sums import exact_total

IGNORED, LIQUID, SOLID = 0, 1, 2  # the values of Part.judged


@dataclass(frozen=True)
class Grid:
    """Voxels of the vial: voxel (i, j, k) has its CENTRE at (i - (nx-1)/2, ...) * voxel_mm."""

    shape: tuple[int, int, int]
    voxel_mm: float

    def __post_init__(self) -> None:
        if len(self.shape) != 3 or any(int(n) != n or n < 1 for n in self.shape):
            raise ShapeError(f"grid shape is {self.shape}; expected three whole numbers of voxels, each 1 or more.")
        if not (math.isfinite(self.voxel_mm) and self.voxel_mm > 0):
            raise ShapeError(f"voxel_mm is {self.voxel_mm}; expected a length above 0 mm.")

    @property
    def voxels(self) -> int:
        return math.prod(self.shape)

    @property
    def extent_mm(self) -> tuple[float, float, float]:
        nx, ny, nz = self.shape
        return nx * self.voxel_mm, ny * self.voxel_mm, nz * self.voxel_mm

    def centres_mm(self, axis: int) -> Tensor:
        """(n,) float64: positions of the voxel centres along one axis, in the vial frame."""
        n = self.shape[axis]
        return (torch.arange(n, dtype=torch.float64) - (n - 1) / 2) * self.voxel_mm

    def radius_mm(self) -> Tensor:
        """(x, y) float64: distance of each column of voxels from the turning axis."""
        x, y = self.centres_mm(0), self.centres_mm(1)
        return torch.sqrt(x[:, None].square() + y[None, :].square())

    def inside(self, radius_mm: float) -> Tensor:
        """(x, y) bool: voxel centres at most `radius_mm` from the axis (with a tolerance for rounding)."""
        return self.radius_mm() <= radius_mm * (1 + 1e-12)

    def coarser(self, times: float) -> "Grid":
        """The same origin in voxels `times` larger, as many as hold the box."""
        nx, ny, nz = (math.ceil(n / times - 1e-9) for n in self.shape)
        return Grid((nx, ny, nz), self.voxel_mm * times)

    def finer(self, times: int) -> "Grid":
        """The same box and origin in voxels `times` smaller."""
        nx, ny, nz = self.shape
        return Grid((nx * times, ny * times, nz * times), self.voxel_mm / times)


@dataclass(frozen=True)
class Target:
    """What a loss compares a dose with. `solid` and `liquid` are disjoint; voxels in neither are not judged.

    solid, liquid   (x, y, z) bool
    weight          (x, y, z) float or None: how much a voxel counts, 1 where None
    dose            (x, y, z) float or None: wanted dose in units of the gel dose, for graded parts
    repeats         (z,) int or None: how many equal slices of the part each one stands for, 1 where None
    """

    solid: Tensor
    liquid: Tensor
    weight: Tensor | None = None
    dose: Tensor | None = None
    repeats: Tensor | None = None

    def __post_init__(self) -> None:
        has_axes("liquid", self.liquid, ("x", "y", "z"), self.solid.shape)
        for name in ("weight", "dose"):
            extra = getattr(self, name)
            if extra is not None:
                has_axes(name, extra, ("x", "y", "z"), self.solid.shape)
        if self.repeats is not None:
            has_axes("repeats", self.repeats, ("z",), self.solid.shape[2:])

    def of_slices(self, index: Tensor) -> "Target":
        """The target of some slices, `index` (slice,) int64."""

        def taken(volume: Tensor | None) -> Tensor | None:
            return None if volume is None else volume[..., index].contiguous()

        return Target(
            self.solid[..., index].contiguous(), self.liquid[..., index].contiguous(), taken(self.weight),
            taken(self.dose), taken(self.repeats),
        )  # fmt: skip

    @cached_property
    def judged_weight(self) -> Tensor:
        """0-d float64: sum of the weights of all judged voxels; computed at first use."""
        judged = self.solid | self.liquid
        return judged.sum(dtype=torch.float64) if self.weight is None else exact_total(judged * self.weight)

    @cached_property
    def heaviest(self) -> Tensor:
        """0-d float64: the largest weight of any voxel; computed at first use."""
        one = torch.ones((), device=self.solid.device, dtype=torch.float64)
        return one if self.weight is None else self.weight.amax().to(torch.float64)


@dataclass(frozen=True)
class Part:
    """The solid wanted, as voxels of one grid.

    coverage   (x, y, z) float32 in 0..1: covered fraction of each voxel
    judged     (x, y, z) uint8: IGNORED (outside the vial, tolerance band, insert), LIQUID or SOLID
    insert     (x, y, z) float32 in 0..1: the same of what sits in the vial already; None where nothing does
    whole      (x, y, z) uint8: as `judged`, with the tolerance band judged as well; None where there is no band
    """

    grid: Grid
    coverage: Tensor
    judged: Tensor
    insert: Tensor | None = None
    whole: Tensor | None = None

    def __post_init__(self) -> None:
        has_axes("coverage", self.coverage, ("x", "y", "z"), self.grid.shape)
        has_axes("judged", self.judged, ("x", "y", "z"), self.grid.shape)
        if self.insert is not None:
            has_axes("insert", self.insert, ("x", "y", "z"), self.grid.shape)
        if self.whole is not None:
            has_axes("whole", self.whole, ("x", "y", "z"), self.grid.shape)

    @property
    def printed(self) -> Tensor:
        """(x, y, z) in 0..1: covered fraction of each voxel less what an insert takes of it."""
        return self.coverage if self.insert is None else (self.coverage - self.insert).clamp(min=0)

    @property
    def volume_mm3(self) -> float:
        """Volume to print, without inserts."""
        return float(exact_total(self.printed)) * self.grid.voxel_mm**3

    @property
    def reach_mm(self) -> float:
        """How far from the axis voxels that are at least half covered reach."""
        columns = (self.coverage >= 0.5).any(2).cpu()
        return float(self.grid.radius_mm()[columns].max()) + self.grid.voxel_mm / 2 if bool(columns.any()) else 0.0

    def to(self, device: torch.device | str) -> "Part":
        insert = None if self.insert is None else self.insert.to(device)
        whole = None if self.whole is None else self.whole.to(device)
        return Part(self.grid, self.coverage.to(device), self.judged.to(device), insert, whole)

    def target(self, device: torch.device | str = "cpu") -> Target:
        judged = self.judged.to(device)
        return Target(solid=judged == SOLID, liquid=judged == LIQUID)


@dataclass(frozen=True)
class FineShape:
    """The true shape on a finer grid, on which prints are judged: what each voxel must become.

    judged   (x, y, z) uint8 of IGNORED, LIQUID and SOLID, the whole shape: no tolerance band is left out
    banded   (x, y, z) uint8: the same with the tolerance band IGNORED; None where there is no band
    """

    grid: Grid
    judged: Tensor
    banded: Tensor | None = None

    def __post_init__(self) -> None:
        has_axes("judged", self.judged, ("x", "y", "z"), self.grid.shape)
        if self.banded is not None:
            has_axes("banded", self.banded, ("x", "y", "z"), self.grid.shape)

    def to(self, device: torch.device | str) -> "FineShape":
        banded = None if self.banded is None else self.banded.to(device)
        return FineShape(self.grid, self.judged.to(device), banded)


@dataclass(frozen=True)
class Field:
    """A projector's field and the part of it that is ever lit: all other pixels stay dark and are not stored.

    columns, rows   of the projector
    first_column    of the lit ones, counted from 0
    lit_columns, lit_rows   how many are lit; as many rows stay dark below as above, so that z = 0 stays in the middle
    """

    columns: int
    rows: int
    first_column: int
    lit_columns: int
    lit_rows: int

    def __post_init__(self) -> None:
        fits = self.first_column >= 0 and self.first_column + self.lit_columns <= self.columns
        if not (fits and self.lit_columns >= 1 and 1 <= self.lit_rows <= self.rows):
            raise ShapeError(
                f"{self.lit_columns} columns from {self.first_column} on and {self.lit_rows} rows are lit in a field "
                f"of {self.columns} x {self.rows}; expected one or more of each, inside the field."
            )
        if (self.rows - self.lit_rows) % 2:
            raise ShapeError(
                f"{self.lit_rows} of {self.rows} rows are lit; expected as many dark ones above as below, so an even "
                "number of dark rows."
            )

    @staticmethod
    def whole(columns: int, rows: int) -> "Field":
        """All of it is lit."""
        return Field(columns, rows, 0, columns, rows)

    @property
    def first_row(self) -> int:
        return (self.rows - self.lit_rows) // 2

    @property
    def is_whole(self) -> bool:
        return (self.lit_columns, self.lit_rows) == (self.columns, self.rows)

    @property
    def lit_pixels(self) -> int:
        return self.lit_columns * self.lit_rows

    @property
    def middle(self) -> tuple[float, float]:
        """(column, row), counted in pixels from the first lit ones, at which the middle of the field lies."""
        return (self.columns - 1) / 2 - self.first_column, (self.lit_rows - 1) / 2

    @property
    def lit(self) -> tuple[slice, slice]:
        """The lit columns and rows of an image (column, row) of the whole field."""
        last_column, last_row = self.first_column + self.lit_columns, self.first_row + self.lit_rows
        return slice(self.first_column, last_column), slice(self.first_row, last_row)

    def padded(self, image: np.ndarray, dark: int = 0) -> np.ndarray:
        """(lit column, lit row) -> (column, row) of the whole field, `dark` around it."""
        if image.shape != (self.lit_columns, self.lit_rows):
            raise ShapeError(f"image has shape {image.shape}; expected {(self.lit_columns, self.lit_rows)}.")
        whole = np.full((self.columns, self.rows), dark, image.dtype)
        whole[self.lit] = image
        return whole


@dataclass(frozen=True)
class Chords:
    """The light inside the resin: one straight chord per projector column and scan angle.

    angle_rad    (angle,) float64  scan angle of each pattern; need not divide a turn evenly
    offset_mm    (column,) float64  distance s of the chord from the axis, growing with the column
    deflection_rad     (column,) float64  deflection phi of the chord from the projector's direction
    transmittance (column,) float64  T up to the resin (surface losses, concentration)
    rows         number of pattern rows; row k lies at z = (k - (rows-1)/2) * row_mm
    row_mm       row pitch in the vial
    dark_before, dark_after   (offset mm, deflection rad) of the dark chord before the first column and behind the last;
                 None: parallel to that column, as far from it as the next one
    """

    angle_rad: Tensor
    offset_mm: Tensor
    deflection_rad: Tensor
    transmittance: Tensor
    rows: int
    row_mm: float
    dark_before: tuple[float, float] | None = None
    dark_after: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        columns = self.offset_mm.shape
        has_axes("deflection_rad", self.deflection_rad, ("column",), columns)
        has_axes("transmittance", self.transmittance, ("column",), columns)
        if self.rows < 1 or self.row_mm <= 0 or self.angle_rad.ndim != 1 or len(self.angle_rad) < 1:
            raise ShapeError(
                f"chords have {self.rows} rows of {self.row_mm} mm and angles of shape "
                f"{tuple(self.angle_rad.shape)}; expected at least one row above 0 mm and one angle."
            )
        if len(self.offset_mm) > 1 and bool((self.offset_mm.diff() <= 0).any()):
            raise ShapeError("chord offsets must grow from column to column; expected increasing offset_mm.")

    @property
    def pattern_shape(self) -> tuple[int, int, int]:
        return len(self.angle_rad), len(self.offset_mm), self.rows

    def lit(self, field: Field) -> "Chords":
        """Those of the lit columns and rows of a field: the same light as with all others dark, without their cost."""
        if (len(self.offset_mm), self.rows) != (field.columns, field.rows):
            raise ShapeError(
                f"chords are of {len(self.offset_mm)} columns and {self.rows} rows; expected those of the field, "
                f"{field.columns} x {field.rows}."
            )
        if field.is_whole:
            return self
        first, end = field.first_column, field.first_column + field.lit_columns
        found = {name: getattr(self, name)[first:end] for name in ("offset_mm", "deflection_rad", "transmittance")}

        def dark(column: int) -> tuple[float, float]:
            return float(self.offset_mm[column]), float(self.deflection_rad[column])

        before = dark(first - 1) if first else self.dark_before
        after = dark(end) if end < field.columns else self.dark_after
        return replace(self, **found, rows=field.lit_rows, dark_before=before, dark_after=after)


@dataclass(frozen=True)
class Optics:
    """The optics between projector and voxel, as one value; the operator is a function of it.

    chords              the straight path of every column's light through the resin, at every angle
    vial_radius_mm      inner radius: where the resin begins
    absorption_per_mm   of the resin, base e
    """

    chords: Chords
    vial_radius_mm: float
    absorption_per_mm: float

    @property
    def straight_rays(self) -> bool:
        """True where every ray of an image runs along the projector's direction."""
        return not bool(self.chords.deflection_rad.any())

    @property
    def slices_independent(self) -> bool:
        """True where no light leaves the height at which it enters. (Rows beside slices couple them all the same.)"""
        return True

    def replace(self, **changes: Any) -> "Optics":
        """A copy with some fields replaced, including those of the chords."""
        within = {name: changes.pop(name) for name in [f.name for f in fields(Chords)] if name in changes}
        changed = replace(self, **changes)
        return replace(changed, chords=replace(changed.chords, **within)) if within else changed

    def lit(self, field: Field) -> "Optics":
        """The same with the chords of the lit columns and rows alone."""
        return self if field.is_whole else replace(self, chords=self.chords.lit(field))


@dataclass(frozen=True)
class Patterns:
    """The images that the projector will show.

    levels       (angle, column, row) integer, 0..full_scale, before the projector's response is undone
    lit          the columns and rows that these are, all others dark; None: the whole field
    angle_rad    (angle,) float64
    full_scale   the level that means full irradiance
    dwell_s      how long one image stands in one turn; exposure = turns * angles * dwell
    """

    levels: Tensor
    angle_rad: Tensor
    full_scale: int
    pixel_mm: float
    irradiance_mw_cm2: float
    dwell_s: float
    turns: int
    lit: Field | None = None

    def __post_init__(self) -> None:
        if self.lit is not None:
            shape = (len(self.angle_rad), self.lit.lit_columns, self.lit.lit_rows)
            has_axes("levels", self.levels, ("angle", "column", "row"), shape)

    @property
    def field(self) -> Field:
        """The projector's field."""
        return self.lit or Field.whole(*self.levels.shape[1:])

    @property
    def exposure_s(self) -> float:
        return self.turns * len(self.angle_rad) * self.dwell_s

    def fractions(self, dtype: torch.dtype = torch.float32, device: torch.device | str = "cpu") -> Tensor:
        """(angle, column, row) in 0..1 of full irradiance, of the lit columns and rows."""
        return self.levels.to(device=device, dtype=dtype) / self.full_scale


@dataclass(frozen=True)
class Prediction:
    """The predicted print.

    dose      (x, y, z) float32, mJ/cm3 after the planned exposure; 0 outside the vial
    solid     (x, y, z) bool, predicted solid
    quality   figures by name, plain numbers (NaN where undefined); see judge/quality.py
    fine_solid   (x, y, z) bool, predicted solid on the finer grid; None where the print was not judged there
    """

    dose: Tensor
    solid: Tensor
    quality: dict[str, float] = field(default_factory=dict)
    fine_solid: Tensor | None = None
