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
class Chords:
    """The light inside the resin: one straight chord per projector column and scan angle.

    angle_rad    (angle,) float64  scan angle of each pattern; need not divide a turn evenly
    offset_mm    (column,) float64  distance s of the chord from the axis, growing with the column
    deflection_rad     (column,) float64  deflection phi of the chord from the projector's direction
    transmittance (column,) float64  T up to the resin (surface losses, concentration)
    rows         number of pattern rows; row k lies at z = (k - (rows-1)/2) * row_mm
    row_mm       row pitch in the vial
    """

    angle_rad: Tensor
    offset_mm: Tensor
    deflection_rad: Tensor
    transmittance: Tensor
    rows: int
    row_mm: float

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


@dataclass(frozen=True)
class Patterns:
    """The images that the projector will show.

    levels       (angle, column, row) integer, 0..full_scale, before the projector's response is undone
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

    @property
    def exposure_s(self) -> float:
        return self.turns * len(self.angle_rad) * self.dwell_s

    def fractions(self, dtype: torch.dtype = torch.float32, device: torch.device | str = "cpu") -> Tensor:
        """(angle, column, row) in 0..1 of full irradiance."""
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
