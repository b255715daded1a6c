"""Light: the chords that a projector's columns light, and the optics of a job."""

import math
from dataclasses import dataclass, fields, replace
from typing import Any

import torch
from torch import Tensor

from lightlathe.checks import has_axes
from lightlathe.errors import ShapeError
from lightlathe.quantities.absorbers import Absorber, joint_classes
from lightlathe.quantities.defocus import Astigmatism, Defocus
from lightlathe.quantities.footprint import Footprint
from lightlathe.quantities.grid import Grid
from lightlathe.quantities.magnification import Magnification
from lightlathe.quantities.patterns import Field
from lightlathe.quantities.shadows import Shadows
from lightlathe.quantities.tilt import Tilt

REL_TOLERANCE = 1e-9  # of a row or slice: one whole spacing away no light arrives


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
    crossing     False: between two neighbouring chords light is interpolated, and they must not meet in the vial.
                 True: each column lights a strip one spacing wide along its chord, and where strips overlap their
                 light adds, so that power is kept where chords draw together or cross (a bare vial). T is then that
                 of the strip: losses, times the pixel's width over the spacing (half the distance from the chord before
                 to the one behind, where it varies). Takes an even turn.
    magnification   how rows spread on the way; None: they stay level and row_mm apart. Takes chords that may cross
    """

    angle_rad: Tensor
    offset_mm: Tensor
    deflection_rad: Tensor
    transmittance: Tensor
    rows: int
    row_mm: float
    dark_before: tuple[float, float] | None = None
    dark_after: tuple[float, float] | None = None
    crossing: bool = False
    magnification: Magnification | None = None

    def __post_init__(self) -> None:
        columns = self.offset_mm.shape
        if self.magnification is not None:
            has_axes("magnification", self.magnification.at_foot, ("column",), columns)
            if not self.crossing:
                raise ShapeError("chords have rows that spread and crossing = False; expected crossing = True.")
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
        spread = None if self.magnification is None else self.magnification.part(first, end)
        rest: dict[str, Any] = {"dark_before": before, "dark_after": after, "magnification": spread}
        return replace(self, **found, rows=field.lit_rows, **rest)


@dataclass(frozen=True)
class Optics:
    """The optics between projector and voxel, as one value; the operator is a function of it.

    chords              the straight path of every column's light through the resin, at every angle
    vial_radius_mm      inner radius: where the resin begins
    absorption_per_mm   of the resin, base e
    footprint           how each pixel's light is spread, where it is in focus
    defocus             how it widens away from the plane of focus; None where it does not
    illumination        (column, row) float64, the light of each pixel relative to the stated irradiance, 0 where it is
                        dead; None where it is even
    shadows             the opaque cross-sections of inserts, at which chords end; None where nothing is in the way
    absorbers           inserts that light crosses, dimmed; whose absorption is the resin's, those change nothing
    tilt                of the axis in the picture: chords are then those of a projector that stands straight beside it,
                        on whose picture that of the projector is turned; None where columns run along the axis
    """

    chords: Chords
    vial_radius_mm: float
    absorption_per_mm: float
    footprint: Footprint = Footprint()  # noqa: RUF009, frozen
    illumination: Tensor | None = None
    defocus: Defocus | Astigmatism | None = None
    shadows: Shadows | None = None
    absorbers: tuple[Absorber, ...] = ()
    tilt: Tilt | None = None

    def __post_init__(self) -> None:
        if self.illumination is None:
            return
        has_axes("illumination", self.illumination, ("column", "row"), self.chords.pattern_shape[1:])
        if not bool((self.illumination.isfinite() & (self.illumination >= 0)).all()):
            raise ShapeError("illumination holds what is no irradiance; expected finite numbers of 0 or more.")

    @property
    def straight_rays(self) -> bool:
        """True where every ray of an image runs along the projector's direction."""
        return not bool(self.chords.deflection_rad.any())

    @property
    def slices_independent(self) -> bool:
        """True where a ray lights its height, or some heights, alike all along. (Rows beside slices, or a blur, couple
        slices all the same, but no more than their weights say.)
        """
        return self.defocus is None and self.chords.magnification is None

    def replace(self, **changes: Any) -> "Optics":
        """A copy with some fields replaced, including those of the chords."""
        within = {name: changes.pop(name) for name in [f.name for f in fields(Chords)] if name in changes}
        if within:
            changes["chords"] = replace(changes.get("chords", self.chords), **within)
        return replace(self, **changes)

    @property
    def in_the_way(self) -> tuple[tuple[Shadows, float], ...]:
        """Cross-sections that end or dim light otherwise than the resin, and what they absorb beyond it, 1/mm: infinite
        of opaque ones, below 0 of what is clearer than the resin."""
        opaque = () if self.shadows is None else ((self.shadows, math.inf),)
        beyond = [(each.sections, each.absorption_per_mm - self.absorption_per_mm) for each in self.absorbers]
        return (*opaque, *(pair for pair in beyond if pair[1] != 0))

    def class_of_slice(self, grid: Grid) -> Tensor | None:
        """(slice,) int64, which tells slices of a grid apart where inserts change their light in different ways; -1
        where they do not change it; None where there are none."""
        sections = [sections for sections, _ in self.in_the_way]
        if len(sections) == 1:
            return sections[0].classes(grid)
        return joint_classes(sections, grid)[0] if sections else None

    def for_slices(self, index: Tensor, grid: Grid) -> "Optics":
        """The same light for some slices of a grid, `index` (slice,) int64, each lit by a row of its own.

        A slice is illuminated as the row that lights it; where several do, column by column as the brightest of them:
        weights with which rows mix sum to 1 at most, so no patterns of those rows give the slice more. ShapeError where
        rows spread over slices.
        """
        if not self.slices_independent:
            raise ShapeError("rows of light spread over several slices; expected light that stays at its height.")
        light = self.illumination
        if light is not None:
            rows, row_mm = self.chords.rows, self.chords.row_mm
            row_z = (torch.arange(rows, dtype=torch.float64) - (rows - 1) / 2) * row_mm
            reach = 1.0 if self.footprint.plain else self.footprint.reach
            near = max(reach * row_mm + (0 if reach == 1 else grid.voxel_mm / 2), grid.voxel_mm) * (1 - REL_TOLERANCE)
            column, z = torch.arange(len(light), dtype=torch.float64)[:, None], grid.centres_mm(2)[index.cpu()]
            leans = self.tilt if self.tilt is not None and self.tilt.slice_z_mm is None else None
            heights = z.expand(len(light), -1) if leans is None else leans.height_mm(column, z)
            beside = ((row_z - at[:, None]).abs() < near for at in heights.unbind(1))  # (column, row) of each slice
            light = torch.stack([torch.where(k, light, 0.0).amax(1) for k in beside], 1)
        shadows, footprint, tilt = self.shadows, self.footprint.within_rows(), self.tilt
        if tilt is not None:
            own = grid.centres_mm(2) if tilt.slice_z_mm is None else tilt.slice_z_mm
            tilt = replace(tilt, slice_z_mm=own[index.cpu()])
        if shadows is not None:
            shadows = shadows.for_slices(index, grid)
        absorbers = tuple(each.for_slices(index, grid) for each in self.absorbers)
        changes = {
            "footprint": footprint, "illumination": light, "shadows": shadows, "absorbers": absorbers, "tilt": tilt,
        }  # fmt: skip
        return self.replace(rows=len(index), row_mm=grid.voxel_mm, **changes)

    def lit(self, field: Field) -> "Optics":
        """The same with the chords of the lit columns and rows alone."""
        if field.is_whole:
            return self
        light, tilt, defocus = self.illumination, self.tilt, self.defocus
        if isinstance(defocus, Astigmatism):
            defocus = defocus.lit(field.first_column, field.first_column + field.lit_columns)
        return replace(
            self,
            chords=self.chords.lit(field),
            illumination=None if light is None else light[field.lit],
            defocus=defocus,
            tilt=None if tilt is None else tilt.lit(field.first_column),
        )
