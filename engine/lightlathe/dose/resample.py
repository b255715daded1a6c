"""From pattern pixels on chords to regular parallel views, and back by the exact transpose.

Two sparse linear steps, each skipped where it is the identity: columns onto bins (with the share of light that each
chord keeps, and chords bent by the vial read from a neighbouring angle), and rows onto slices. All slices are lit
alike, so rows become slices before the back-projection or after it, whichever leaves it fewer to do.
"""

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.dose.taps import HAIR, Taps, interpolation
from lightlathe.dose.views import Views
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Grid


@dataclass(frozen=True)
class Resampling:
    """patterns (angle, column, row) -> views (angle, bin, plane), doses in planes -> slices; `plan` makes one.

    columns   bin <- column, the same for every angle; where chords are bent: angle * bins + bin <- angle * columns +
              column. None where bins are columns.
    rows      slice <- row; None where slices are rows
    late      True where planes are rows, and become slices in the dose; else planes are slices
    bent      True where `columns` joins angles
    """

    columns: Taps | None
    rows: Taps | None
    bent: bool
    late: bool
    columns_back: Taps | None = None  # the transposes
    rows_back: Taps | None = None

    def to(self, device: torch.device, dtype: torch.dtype) -> "Resampling":
        """Ready to use on a device: everything that forward and transpose read lies there."""
        ready = {}
        for name in ("columns", "rows"):
            taps: Taps | None = getattr(self, name)
            ready[name] = None if taps is None else taps.to(device, dtype)
            ready[name + "_back"] = None if taps is None else taps.transposed().to(device, dtype)
        return replace(self, **ready)

    def forward(self, patterns: Tensor) -> Tensor:
        x = patterns if self.columns is None else self._across(patterns, self.columns)
        return x if self.rows is None or self.late else self.rows.apply(x, 2)

    def most(self, light: float) -> float:
        """No number of `forward(patterns)` exceeds this, for patterns of 0 to `light`."""
        for taps in (self.columns, None if self.late else self.rows):
            light *= 1.0 if taps is None else float(taps.weight.abs().sum(0).amax())
        return light

    def in_slices(self, dose: Tensor) -> Tensor:
        return self.rows.apply(dose, 2) if self.rows is not None and self.late else dose

    def in_planes(self, dose: Tensor) -> Tensor:
        """Transpose of `in_slices`."""
        return self.rows_back.apply(dose, 2) if self.rows_back is not None and self.late else dose

    def transpose(self, views: Tensor) -> Tensor:
        """Transpose of `forward`."""
        x = views if self.rows_back is None or self.late else self.rows_back.apply(views, 2)
        return x if self.columns_back is None else self._across(x, self.columns_back)

    def _across(self, x: Tensor, taps: Taps) -> Tensor:
        if not self.bent:
            return taps.apply(x, 1)
        angles, across, along = x.shape
        return taps.apply(x.reshape(angles * across, along), 0).reshape(angles, -1, along)


def plan(chords: Chords, grid: Grid, radius_mm: float, absorption_per_mm: float) -> tuple[Resampling, Views]:
    """How these chords light this grid: the resampling (on the CPU, see `to`), and the geometry of the views it gives.

    Raises ShapeError where bent chords meet angles that do not divide a turn evenly.
    """
    angle_rad, offsets = chords.angle_rad.double().cpu(), chords.offset_mm.double().cpu()
    columns = len(offsets)
    pitch = float(offsets[-1] - offsets[0]) / (columns - 1) if columns > 1 else chords.row_mm
    bin_mm = pitch if abs(pitch / grid.voxel_mm - 1) < HAIR else max(pitch, grid.voxel_mm)
    centred = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * bin_mm
    if bool(((offsets - centred).abs() < HAIR * bin_mm * columns).all()):
        bins, on_bins = columns, Taps.identity(columns)
    else:  # enough bins that the outermost, where light has fallen to dark, take nothing
        widest = max(bin_mm, float(offsets.diff().max()) if columns > 1 else pitch)
        bins = 2 * math.ceil((float(offsets.abs().max()) + widest) / bin_mm - HAIR) + 1
        on_bins = interpolation((torch.arange(bins).double() - (bins - 1) / 2) * bin_mm, offsets, bin_mm, pitch)
    share, turn_rad = chords.share.double().cpu(), chords.turn_rad.double().cpu()
    on_bins = replace(on_bins, weight=on_bins.weight * share[on_bins.index])
    bent = bool((turn_rad != 0).any())
    if bent:
        on_bins = _bent(on_bins, turn_rad, angle_rad, bins)
    row_z = (torch.arange(chords.rows, dtype=torch.float64) - (chords.rows - 1) / 2) * chords.row_mm
    on_slices = interpolation(grid.centres_mm(2), row_z, grid.voxel_mm, chords.row_mm)
    nx, ny, nz = grid.shape
    resampling = Resampling(
        columns=None if on_bins.is_identity else on_bins,
        rows=None if on_slices.is_identity else on_slices,
        bent=bent,
        late=chords.rows < nz,
    )
    return resampling, Views(angle_rad, bins, bin_mm, nx, ny, grid.voxel_mm, radius_mm, absorption_per_mm)


def _bent(on_bins: Taps, turn_rad: Tensor, angle_rad: Tensor, bins: int) -> Taps:
    """Taps that join angles: column j, turned by turn_rad[j], shows in view v its pattern of angle v - turn_rad[j]."""
    angles, columns = len(angle_rad), on_bins.inputs
    step = float(angle_rad[1] - angle_rad[0]) if angles > 1 else 2 * math.pi  # below 0 where the turn runs backwards
    even = angle_rad[0] + step * torch.arange(angles, dtype=torch.float64)
    if bool(((angle_rad - even).abs() > 1e-6).any()) or abs(abs(step) * angles - 2 * math.pi) > 1e-6:
        raise ShapeError(
            f"the beam turns chords inside the vial and the {angles} angles do not divide one turn evenly; "
            "expected angles a whole turn / count apart, in turning order."
        )
    late = turn_rad / step
    whole = late.floor()
    view = torch.arange(angles)[:, None, None]
    column, bin_, weight = on_bins.index[None], torch.arange(bins)[None, None], on_bins.weight[None]
    rows, sources, weights = [], [], []
    for behind, part in ((0, 1 - (late - whole)), (1, late - whole)):
        pattern = (view - whole.long()[column] - behind) % angles
        rows.append((view * bins + bin_).expand_as(pattern).flatten())
        sources.append((pattern * columns + column).flatten())
        weights.append((part[column] * weight).expand_as(pattern).flatten())
    return Taps.of(torch.cat(rows), torch.cat(sources), torch.cat(weights), angles * bins, angles * columns)
