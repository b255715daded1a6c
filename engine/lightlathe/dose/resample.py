"""From pattern pixels on chords to the views that kernels take, and back by the exact transpose.

Columns are never moved: the bins of a view are the columns, wherever they lie, or lie evenly about them where a pixel's
shape takes finer ones. Cheap steps remain, each skipped where it does nothing: the share of its light that each column
keeps, columns onto such bins (footprint.py), images onto views where columns differ in direction (rebin.py), and rows
onto slices. All slices are lit alike, so rows become slices before the back-projection or after
it, whichever leaves it fewer to do. Where pixels are finer than voxels some columns fall between voxels' centres at one
angle, and other angles read them; rows are the same at every angle, so each row's light is shared linearly between the
slices beside it, and none is lost.
"""

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.dose.across import Across
from lightlathe.dose.pixel_map import PixelMap
from lightlathe.dose.profile import Profile
from lightlathe.dose.rebin import Rebinning
from lightlathe.dose.taps import Taps


@dataclass(frozen=True)
class Resampling:
    """patterns (angle, column, row) -> views (view, bin, plane), doses in planes -> slices; `plan` makes one.

    share   (column, 1) or (column, row), what each pixel keeps of its light; None where that is all
    across  bins <- columns, where pixels are not linear or are blurred, or columns lie unevenly (fan.py); None where
            bins are columns
    profile of pixels, where `across` is there for that alone; see `shaped`
    turned  images -> views, where the columns' light differs in direction; None where views are images
    rows    slice <- row; None where slices are rows. Of rows that spread with depth: plane <- row (spread.py)
    late    True where planes are rows, and become slices in the dose; else planes are slices
    blurred images -> those blurred along the rows, more in one column than in the next (astigmatism.py); else None
    tilted  images of the projector -> those of one that stands straight beside a tilted axis (tilt.py), which `share`
            and all else are of; None where the axis is not tilted
    within  (first, end, count): of `count` rows only first..end - 1 reach the slab; None where all are taken
    """

    share: Tensor | None
    rows: Taps | None
    late: bool
    rows_back: Taps | None = None  # the transpose
    across: Across | None = None
    turned: Rebinning | None = None
    profile: Profile | None = None
    within: tuple[int, int, int] | None = None
    blurred: PixelMap | None = None
    tilted: PixelMap | None = None

    def to(self, device: torch.device, dtype: torch.dtype) -> "Resampling":
        """Ready to use on a device: everything that forward and transpose read lies there."""
        share, turned = self.share, self.turned
        first = share is not None and share.shape[1] == 1 and self.across is None
        if first and turned is not None and device.type != "cpu":  # one pass less
            share, turned = None, turned.to(device, dtype, share=share)
        return replace(
            self,
            share=None if share is None else share.to(device, dtype),
            rows=None if self.rows is None else self.rows.to(device, dtype),
            rows_back=None if self.rows is None else self.rows.transposed().to(device, dtype),
            across=None if self.across is None else self.across.to(device, dtype),
            turned=turned if turned is None or turned is not self.turned else turned.to(device, dtype),
            blurred=None if self.blurred is None else self.blurred.to(device, dtype),
            tilted=None if self.tilted is None else self.tilted.to(device, dtype),
        )

    def forward(self, patterns: Tensor) -> Tensor:
        x = patterns if self.within is None else patterns[..., self.within[0] : self.within[1]].contiguous()
        for step in (self.blurred, self.tilted):
            x = x if step is None else step.forward(x)
        x = x if self.share is None else x * self.share
        for step in (self.across, self.turned):
            x = x if step is None else step.forward(x)
        return x if self.rows is None or self.late else self.rows.apply(x)

    def most(self, light: float) -> float:
        """No number of `forward(patterns)` exceeds this, for patterns of 0 to `light`."""
        for step in (self.blurred, self.tilted):
            light *= 1.0 if step is None else step.most
        if self.share is not None:
            light *= float(self.share.abs().amax())
        for step in (self.across, self.turned):
            light *= 1.0 if step is None else step.most
        if self.rows is not None and not self.late:
            light *= float(self.rows.weight.abs().sum(0).amax())
        return light

    def in_slices(self, dose: Tensor) -> Tensor:
        return self.rows.apply(dose) if self.rows is not None and self.late else dose

    def in_planes(self, dose: Tensor) -> Tensor:
        """Transpose of `in_slices`."""
        return self.rows_back.apply(dose) if self.rows_back is not None and self.late else dose

    def transpose(self, views: Tensor) -> Tensor:
        """Transpose of `forward`."""
        x = views if self.rows_back is None or self.late else self.rows_back.apply(views)
        for step in (self.turned, self.across):
            x = x if step is None else step.transpose(x)
        x = x if self.share is None else x * self.share
        for step in (self.tilted, self.blurred):
            x = x if step is None else step.transpose(x)
        if self.within is None:
            return x
        first, end, rows = self.within
        return torch.nn.functional.pad(x, (first, rows - end))

    def narrowed(self, count: int) -> "Resampling":
        """The same, which takes no more of `count` rows than reach its slices."""
        if self.tilted is not None:
            tilted, within = self.tilted.narrowed()
            return replace(self, tilted=tilted, within=within)
        if self.rows is None:
            return self
        used = self.rows.index[self.rows.weight != 0]
        first, end = (int(used.min()), int(used.max()) + 1) if len(used) else (0, 1)
        index = (self.rows.index - first).clamp(0, end - first - 1)  # those of weight 0 may lie elsewhere
        rows = Taps(index, self.rows.weight, end - first)
        share = self.share if self.share is None or self.share.shape[1] == 1 else self.share[:, first:end]
        within = None if rows.inputs == count else (first, end, count)
        late = rows.inputs < rows.index.shape[1]
        return replace(self, share=share, rows=None if rows.is_identity else rows, late=late, within=within)
