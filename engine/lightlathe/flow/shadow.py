"""Shadows of inserts, which the dose operator treats as transparent: an estimate for opaque ones.

Light is horizontal, so shadows stay within a slice. Some slices that contain both part and insert are sampled, on
voxels no finer than needed; a voxel of the part gets no light at angles at which its ray to the projector meets an
insert.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.dose import Directions
from lightlathe.dose.fan import evened, evenly_spaced
from lightlathe.dose.rebin import Rebinning
from lightlathe.flow.lit import chords_of
from lightlathe.flow.solids import Solid, voxels
from lightlathe.job import Job
from lightlathe.quantities import HALF, SOLID, Footprint, Grid, Patterns
from lightlathe.support.words import amount, percent

ACROSS = 160  # voxels across the vial at most
SLICES = 8
ANGLES = 120  # of even light: shares are good to 1 %
SHADOWED_SHARE = 0.1  # dose loss from which a point counts as shadowed (no source)


@dataclass(frozen=True)
class Shadow:
    """The effect of an opaque insert on the part.

    lost        largest share of its dose that a place in the part loses
    shadow_mm   distance from the insert up to which points lose more than SHADOWED_SHARE of their dose
    liquid      share of the part's voxels that would stay liquid and are solid without the shadow; NaN in even light
    weakest     (min dose beside the insert without its shadow, with it), mJ/cm3, within shadow_mm; NaN in even light
    liquid_mm   (nearest, farthest) from the insert of those that would stay liquid; NaN where none do
    liquid_mj_cm3    the minimum dose of those
    gel_mj_cm3  the dose that they fall below
    """

    lost: float
    shadow_mm: float
    liquid: float = math.nan
    weakest: tuple[float, float] = (math.nan, math.nan)
    liquid_mm: tuple[float, float] = (math.nan, math.nan)
    liquid_mj_cm3: float = math.nan
    gel_mj_cm3: float = math.nan

    def text(self) -> str:
        """A sentence on the shadow that the model ignores, and its effect."""
        said = "Light is taken to pass through the insert, whose shadow is not computed. "
        if not self.lost > 0:
            return said + "It stands in no slice of the part, so this costs nothing."
        if math.isnan(self.liquid):
            return said + (
                f"If it is opaque, voxels beside it get up to {percent(self.lost)} less light, by even light from all "
                f"around, and more than {percent(SHADOWED_SHARE)} less up to {amount(self.shadow_mm)} mm away."
            )
        without, with_ = self.weakest
        stays = "none of the part stays liquid for that alone"
        if self.liquid > 0:
            near, far = (amount(mm, 3) for mm in self.liquid_mm)
            where = f"{near} mm" if near == far else f"{near} to {far} mm"
            stays = (
                f"{percent(self.liquid)} of the part stays liquid for that alone, {where} away from it, where the dose "
                f"falls to {amount(self.liquid_mj_cm3, 3)} mJ/cm3, below the "
                f"{amount(self.gel_mj_cm3, 3)} at which it gels"
            )
        return said + (
            f"If it is opaque, {stays}. Voxels lose up to {percent(self.lost)} of their dose, and the least dose "
            f"within {amount(self.shadow_mm)} mm of it falls from {amount(without, 3)} to {amount(with_, 3)} mJ/cm3."
        )


def even_shadow(job: Job, solids: tuple[Solid, ...], grid: Grid) -> Shadow | None:
    """The shadow in even light from all around, before any design; None for a job without inserts."""
    scene = _scene(job, solids, grid)
    if scene is None:
        return None
    return scene.shadow([(angle, None) for angle in _angles(ANGLES)], math.nan)


def designed_shadow(job: Job, solids: tuple[Solid, ...], grid: Grid, patterns: Patterns) -> Shadow | None:
    """The shadow in the light of a design; None for a job without inserts."""
    scene = _scene(job, solids, grid)
    if scene is None:
        return None
    step = math.ceil(len(patterns.angle_rad) / (3 * ANGLES))
    shown, across_mm, axis = as_parallel(job, patterns)
    shown = shown[::step]
    images = list(zip(patterns.angle_rad[::step].tolist(), shown, strict=True))
    resin = job.resin.at(patterns.exposure_s)
    scale = 10 * resin.absorption_per_mm * patterns.irradiance_mw_cm2 * patterns.exposure_s / len(images)
    return scene.shadow(images, resin.gel_mj_cm3, scale, (across_mm, patterns.pixel_mm), axis)


def as_parallel(job: Job, patterns: Patterns) -> tuple[Tensor, float, tuple[float, float]]:
    """(angle, column, row) of parallel light, direction by direction, the pitch of its columns in the resin, and the
    (column, row) at the axis and z = 0.

    The images themselves, unless a bare vial or a lens turns their columns by unlike angles. Rows are taken as level.
    """
    (column, row), light = patterns.field.middle, job.light.relative_irradiance
    shown, axis = patterns.fractions(), (column + job.light.axis_offset_pixels, row)
    if light is not None:
        shown = shown * light[patterns.field.lit].to(shown)
    chords = chords_of(job.light, job.vial, job.resin, patterns.angle_rad).lit(patterns.field)
    if not chords.crossing or len(chords.offset_mm) < 2:
        return shown, patterns.pixel_mm, axis
    shown = shown * chords.transmittance[:, None].to(shown)
    if not evenly_spaced(chords):
        across, chords = evened(chords, 1, Footprint())
        shown = across.to(shown.device, shown.dtype).forward(shown)
    views = Rebinning.of(chords, Directions()).to(shown.device, shown.dtype).forward(shown)
    pitch_mm = float(chords.offset_mm[1] - chords.offset_mm[0])
    return views, pitch_mm, (-float(chords.offset_mm[0]) / pitch_mm, row)


@dataclass(frozen=True)
class _Scene:
    """Slices in which part and insert meet.

    solid, opaque   (x, y, slice) bool;  of_part: share of the part's voxels that lies in slices with an insert
    """

    grid: Grid
    radius_mm: float
    absorption_per_mm: float
    solid: Tensor
    opaque: Tensor
    z_mm: Tensor
    of_part: float

    def shadow(
        self,
        images: Sequence[tuple[float, Tensor | None]],
        gel: float,
        scale: float = 1.0,
        pitch_mm: tuple[float, float] = (math.nan, math.nan),
        middle: tuple[float, float] | None = None,
    ) -> Shadow:
        """images: scan angle and the levels (column, row) shown there, None for even light.

        pitch_mm   of the levels' columns and rows
        middle   (column, row) of the levels that lies on the axis and at z = 0; the middle of the levels where None
        """
        if not bool(self.solid.any()):
            return Shadow(0.0, 0.0)
        full, left = (torch.zeros(self.solid.shape, dtype=torch.float64) for _ in range(2))
        for angle, levels in images:
            light = self._light(angle, levels, pitch_mm, middle)
            full += light
            left += light * ~self._dark(angle)
        dose, shadowed = (scale * d[self.solid] for d in (full, left))
        lost = torch.where(dose > 0, 1 - shadowed / dose.clamp(min=1e-300), 0.0)
        away = self._away()[self.solid]
        affected = lost > SHADOWED_SHARE
        shadow_mm = float(away[affected].max()) if bool(affected.any()) else 0.0
        if math.isnan(gel):
            return Shadow(float(lost.max()), shadow_mm)
        beside = away <= max(shadow_mm, self.grid.voxel_mm)
        weakest = float(dose[beside].min()), float(shadowed[beside].min())
        falls = (dose > gel) & (shadowed <= gel)
        shadow = Shadow(float(lost.max()), shadow_mm, 0.0, weakest, gel_mj_cm3=gel)
        if not bool(falls.any()):
            return shadow
        return replace(
            shadow,
            liquid=float(falls.double().mean()) * self.of_part,
            liquid_mm=(float(away[falls].min()), float(away[falls].max())),
            liquid_mj_cm3=float(shadowed[falls].min()),
        )

    def _lab(self, angle: float) -> tuple[Tensor, Tensor]:
        """s and t of every column of voxels, mm."""
        x, y = (self.grid.centres_mm(axis) for axis in (0, 1))
        across = x[:, None] * math.cos(angle) + y[None, :] * math.sin(angle)
        return across, y[None, :] * math.cos(angle) - x[:, None] * math.sin(angle)

    def _light(
        self,
        angle: float,
        levels: Tensor | None,
        pitch_mm: tuple[float, float],
        middle: tuple[float, float] | None = None,
    ) -> Tensor:
        """(x, y, slice) light of one image where nothing is in its way, by linear interpolation between pixels."""
        s, t = self._lab(angle)
        depth = torch.sqrt((self.radius_mm**2 - s * s).clamp(min=0)) + t
        through = torch.exp(-self.absorption_per_mm * depth.clamp(min=0))[:, :, None]
        if levels is None:
            return through.expand(self.solid.shape)
        column, row = middle or ((levels.shape[0] - 1) / 2, (levels.shape[1] - 1) / 2)
        dark = torch.nn.functional.pad(levels.double(), (1, 1, 1, 1))
        by_slice = _between(dark, self.z_mm / pitch_mm[1] + row + 1, 1)
        return through * _between(by_slice, (s / pitch_mm[0] + column + 1).flatten(), 0).reshape(self.solid.shape)

    def _dark(self, angle: float) -> Tensor:
        """(x, y, slice) bool: an insert stands between the voxel and the projector.

        The inserts are turned into the frame of the light, where what is behind them is a running maximum along t.
        """
        n, pitch = max(self.grid.shape[:2]) + 2, self.grid.voxel_mm
        middle = (n - 1) / 2
        place = (torch.arange(n, dtype=torch.float64) - middle) * pitch
        s, t = place[:, None], place[None, :]
        x, y = s * math.cos(angle) - t * math.sin(angle), s * math.sin(angle) + t * math.cos(angle)
        padded = torch.nn.functional.pad(self.opaque, (0, 0, 1, 1, 1, 1))
        i, j = (
            (v / pitch + (size + 1) / 2).round().long().clamp(0, size + 1)
            for v, size in zip((x, y), self.grid.shape, strict=False)
        )
        behind = padded[i, j].cummax(1).values
        behind = torch.nn.functional.pad(behind, (0, 0, 1, 0))[:, :-1]  # an insert does not shadow its own first voxel
        s, t = self._lab(angle)
        a, b = ((v / pitch + middle).round().long().clamp(0, n - 1) for v in (s, t))
        return behind[a, b]

    def _away(self) -> Tensor:
        """(x, y, slice) distance to the nearest insert in the slice, mm, from voxel centre to voxel edge."""
        from scipy.ndimage import distance_transform_edt

        slices = [torch.from_numpy(distance_transform_edt(~s.numpy())) for s in self.opaque.unbind(2)]
        return (torch.stack(slices, dim=2) - 0.5) * self.grid.voxel_mm


def _scene(job: Job, solids: tuple[Solid, ...], grid: Grid) -> _Scene | None:
    if not any(solid.role == "insert" for solid in solids):
        return None
    times = max(1.0, grid.shape[0] / ACROSS)
    nx, ny, nz = (math.ceil(size / times) for size in grid.shape)
    look = Grid((nx, ny, nz), grid.voxel_mm * times)
    part = voxels(job, solids, look, torch.device("cpu"))
    assert part.insert is not None
    solid, opaque = part.judged == SOLID, part.insert >= HALF
    both = (solid.any(0).any(0) & opaque.any(0).any(0)).nonzero().flatten()
    chosen = both[torch.linspace(0, len(both) - 1, min(SLICES, len(both))).round().long()]
    of_part = float(solid[:, :, both].sum() / solid.sum())
    return _Scene(
        look,
        job.vial.radius_mm,
        job.resin.absorption_per_mm,
        solid[:, :, chosen],
        opaque[:, :, chosen],
        look.centres_mm(2)[chosen],
        of_part,
    )


def _angles(count: int) -> list[float]:
    return [2 * math.pi * n / count for n in range(count)]


def _between(values: Tensor, place: Tensor, axis: int) -> Tensor:
    """Values at places between the entries of an axis, linearly; beyond its ends the outermost entry."""
    place = place.clamp(0, values.shape[axis] - 1)
    low = place.floor().long().clamp(max=values.shape[axis] - 2)
    share = (place - low).to(values.dtype)
    share = share[:, None] if axis == 0 else share
    return values.index_select(axis, low) * (1 - share) + values.index_select(axis, low + 1) * share
