"""From pattern pixels on chords to regular parallel views, and back by the exact transpose.

Three sparse linear steps, each skipped where it is the identity: turn (chords bent by the vial are read from a
neighbouring angle), columns onto bins, rows onto slices. Where pixels are coarser than voxels light is interpolated
linearly between pixel centres. Where they are finer, each pixel's light is shared linearly between the voxel centres
beside it; plain interpolation would read only the pixels next to voxel centres and leave the others dark for ever.
"""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from lightlathe.dose.views import Views
from lightlathe.quantities import Chords, Grid


@dataclass(frozen=True)
class Taps:
    """A sparse matrix [out, in] along one axis, as gathers: out[i] = sum_k weight[i, k] * x[index[i, k]]."""

    index: Tensor  # (out, taps) int64
    weight: Tensor  # (out, taps) float64
    inputs: int

    @staticmethod
    def of(row: Tensor, column: Tensor, weight: Tensor, rows: int, columns: int) -> "Taps":
        """From entries (row, column, weight), which need not be sorted."""
        kept = weight != 0
        row, column, weight = row[kept], column[kept], weight[kept]
        order = torch.argsort(row * columns + column)
        row, column, weight = row[order], column[order], weight[order]
        counts = torch.bincount(row, minlength=rows)
        slot = torch.arange(len(row)) - (counts.cumsum(0) - counts)[row]
        taps = max(1, int(counts.max()) if len(row) else 1)
        index = torch.zeros(rows, taps, dtype=torch.int64)
        table = torch.zeros(rows, taps, dtype=torch.float64)
        index[row, slot] = column
        table[row, slot] = weight
        return Taps(index, table, columns)

    def transposed(self) -> "Taps":
        rows, taps = self.index.shape
        row = torch.arange(rows).repeat_interleave(taps)
        return Taps.of(self.index.flatten(), row, self.weight.flatten(), self.inputs, rows)

    @property
    def is_identity(self) -> bool:
        rows = self.index.shape[0]
        if rows != self.inputs or self.index.shape[1] != 1:
            return False
        return bool((self.index[:, 0] == torch.arange(rows)).all()) and bool((self.weight == 1).all())

    def apply(self, x: Tensor, axis: int) -> Tensor:
        """Along `axis` of x; the sum runs tap after tap, so the same input gives the same bits."""
        shape = [1] * x.ndim
        shape[axis] = -1
        out = None
        for k in range(self.index.shape[1]):
            weight = self.weight[:, k].to(device=x.device, dtype=x.dtype).reshape(shape)
            term = x.index_select(axis, self.index[:, k].to(x.device)).mul_(weight)
            out = term if out is None else out.add_(term)
        assert out is not None
        return out


def _interpolation(at: Tensor, sources: Tensor, spacing: float, reach: float) -> Taps:
    """Weights of regular `sources` (pitch `spacing`) at the points `at`, a triangle of half-width `reach` >= spacing.

    Normalised by spacing / reach, so that even light stays even away from the ends (exactly where reach is a whole
    multiple of spacing, else within the ripple of a sampled triangle, which is removed by dividing by its sum).
    """
    first = torch.floor((at - reach - sources[0]) / spacing).to(torch.int64)
    span = math.ceil(2 * reach / spacing) + 2
    number = first[:, None] + torch.arange(span)[None, :]
    place = sources[0] + number * spacing
    weight = (1 - (at[:, None] - place).abs() / reach).clamp(min=0)
    weight[weight < 1e-9] = 0  # a pixel one spacing away, but for rounding
    weight = weight / weight.sum(1, keepdim=True)  # over the endless raster: ends still fall to dark
    exists = (number >= 0) & (number < len(sources))
    row = torch.arange(len(at))[:, None].expand_as(number)
    return Taps.of(row[exists], number[exists], weight[exists].round(decimals=15), len(at), len(sources))


def _irregular(at: Tensor, sources: Tensor) -> Taps:
    """Linear interpolation between unevenly spaced, increasing sources; nothing beyond the outermost."""
    high = torch.searchsorted(sources, at).clamp(1, len(sources) - 1)
    low = high - 1
    share = (at - sources[low]) / (sources[high] - sources[low])
    exists = (share >= -1e-9) & (share <= 1 + 1e-9)
    share = share.clamp(0, 1)
    row = torch.arange(len(at))
    return Taps.of(
        torch.cat([row[exists], row[exists]]),
        torch.cat([low[exists], high[exists]]),
        torch.cat([(1 - share)[exists], share[exists]]),
        len(at),
        len(sources),
    )


@dataclass(frozen=True)
class Resampling:
    """patterns (angle, column, row) -> views (angle, bin, slice) and its transpose; `plan` makes one."""

    share: Tensor  # (column,) light that reaches the resin
    turn: Tensor  # (column,) turn of each chord in units of one angle step
    columns: Taps  # bin <- column
    rows: Taps  # slice <- row

    def forward(self, patterns: Tensor) -> Tensor:
        x = patterns
        if bool((self.share != 1).any()):
            x = x * self.share.to(device=x.device, dtype=x.dtype)[None, :, None]
        x = _turned(x, self.turn)
        if not self.columns.is_identity:
            x = self.columns.apply(x, 1)
        return x if self.rows.is_identity else self.rows.apply(x, 2)

    def transpose(self, views: Tensor) -> Tensor:
        x = views if self.rows.is_identity else self.rows.transposed().apply(views, 2)
        if not self.columns.is_identity:
            x = self.columns.transposed().apply(x, 1)
        x = _turned(x, -self.turn)
        if bool((self.share != 1).any()):
            x = x * self.share.to(device=x.device, dtype=x.dtype)[None, :, None]
        return x


def _turned(x: Tensor, steps: Tensor) -> Tensor:
    """Views at angle v read column j at angle v - steps[j], linearly between angles; the reverse is the transpose."""
    if not bool((steps != 0).any()):
        return x
    whole = steps.floor()
    part = (steps - whole).to(device=x.device, dtype=x.dtype)[None, :, None]
    angles, columns = x.shape[:2]
    at = torch.arange(angles)[:, None] - whole.to(torch.int64)[None, :]
    column = torch.arange(columns, device=x.device)[None, :]
    near = x[(at % angles).to(x.device), column]
    far = x[((at - 1) % angles).to(x.device), column]
    return near * (1 - part) + far * part


def plan(chords: Chords, grid: Grid, radius_mm: float, absorption_per_mm: float) -> tuple[Resampling, Views]:
    """How these chords light this grid: the resampling, and the geometry of the views it gives."""
    offsets, columns = chords.offset_mm.to(torch.float64).cpu(), len(chords.offset_mm)
    pitch = float((offsets[-1] - offsets[0]) / (columns - 1)) if columns > 1 else chords.row_mm
    ideal = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * pitch
    regular = bool(((offsets - ideal).abs() < 1e-9 * max(1.0, abs(float(offsets[-1])))).all())
    bin_mm = pitch if abs(pitch / grid.voxel_mm - 1) < 1e-9 else max(pitch, grid.voxel_mm)
    bins = columns
    if not regular or bin_mm > pitch:
        half = max(abs(float(offsets[0])), abs(float(offsets[-1])))
        bins = 2 * math.ceil(half / bin_mm - 1e-9) + 1 + 2 * (bin_mm > pitch)
    centres = (torch.arange(bins, dtype=torch.float64) - (bins - 1) / 2) * bin_mm
    if regular:
        on_bins = _interpolation(centres, ideal, pitch, max(bin_mm, pitch))
    else:
        on_bins = _irregular(centres, offsets)
    row_z = (torch.arange(chords.rows, dtype=torch.float64) - (chords.rows - 1) / 2) * chords.row_mm
    on_slices = _interpolation(grid.centres_mm(2), row_z, chords.row_mm, max(grid.voxel_mm, chords.row_mm))
    angle = chords.angle_rad.double().cpu()
    step = float(angle[1] - angle[0]) if len(angle) > 1 else 2 * math.pi    # below 0 where the turn runs backwards
    resampling = Resampling(chords.share.double().cpu(), chords.turn_rad.double().cpu() / step, on_bins, on_slices)
    nx, ny, _ = grid.shape
    return resampling, Views(
        chords.angle_rad.double().cpu(), bins, bin_mm, nx, ny, grid.voxel_mm, radius_mm, absorption_per_mm
    )
