"""The ends of chords as cuda_hopper.cu reads them: a call of the kernels for each run of slices, and its tables.

Where slices of several cross-sections lie in one call, the kernels take the light of what is lit in all of them, by the
soonest end in any, and those of cuda_many_ends.cu what lies behind it.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import torch
from torch import Tensor
from torch.nn.functional import max_pool1d, pad

MARGIN, WINDOW, INNER = 64, 24, 16  # bins without an end beside a view, of a tile, of a product: as in cuda_hopper.cu
FEW = 16  # runs of slices of one cross-section, up to which each may be a call of its own
DEEP = 256  # slices of a program: a run as long fills it
TILE = 8  # voxels
MANY = -2  # cross-sections in a call


@dataclass(frozen=True, eq=False)
class Many:
    """What the kernels read behind inserts that differ from slice to slice.

    t          (view, class, bin of the band) float32: where chords end, in bins
    kind       (slice,) int32: the class of each slice, -1 for none
    band       first bin of the band, bins in it
    behind     (tile, row) uint8: 1 where a chord that a tile reads ends before or within it. Deposit alone, as:
    start      (tile + 1,) int32: where each tile's part of `rows` begins
    rows       int32: the rows of `behind` that are 1
    span       (row, octet, MARGIN + bin + MARGIN, 2) float32: the soonest and the latest end in 16 bins and 8 slices
    strips     (strip, 2) int32: row and first bin of 16 bins of which a chord ends. Collect alone
    """

    t: Tensor
    kind: Tensor
    band: tuple[int, int]
    behind: Tensor | None = None
    start: Tensor | None = None
    rows: Tensor | None = None
    span: Tensor | None = None
    strips: Tensor | None = None

    @property
    def octets(self) -> int:
        return 0 if self.span is None else self.span.shape[1]

    @property
    def count(self) -> int:
        """How many strips."""
        return 0 if self.strips is None else len(self.strips)


@dataclass(frozen=True, eq=False)
class Run:
    """Slices first..end - 1, in one call.

    ends      (row, MARGIN + bin + MARGIN) float32: t in bins at which a chord ends, a row for each view and opposite
              view of a direction, of opposite views backwards as their light is; None where no insert stands
    soonest   the least of `ends` over as many bins from each on as a tile reads
    many      where cross-sections differ within the run; `ends` are the soonest of any then
    """

    first: int
    end: int
    ends: Tensor | None = None
    soonest: Tensor | None = None
    many: Many | None = None


def runs_of(classes: Tensor) -> list[tuple[int, int, int]]:
    """(class, first, end) of each run of slices of one class."""
    kinds, lengths = classes.unique_consecutive(return_counts=True)
    ends = lengths.cumsum(0)
    return list(zip(kinds.tolist(), (ends - lengths).tolist(), ends.tolist(), strict=True))


def too_many(views) -> bool:
    """Whether slices change class too often for kernels whose tiles take two products of each view."""
    return len(runs_of(views.ends.class_of_plane)) > FEW


@lru_cache(maxsize=16)
def deposit_runs(views, slices: int, table: Tensor, member: Tensor, steps: int) -> list[Run]:
    """table   (direction, 4) float32 and member (direction, 2) int32 as in directions.py, on the device
    steps   products that a tile takes of a view"""
    return [
        _run(views, slices, call, member, INNER * steps, lambda ends, soonest, first, end: _tiles(
            views, slices, table, member, ends, soonest, first, end)) for call in _calls(views, slices, steps)
    ]  # fmt: skip


@lru_cache(maxsize=16)
def collect_runs(views, slices: int, member: Tensor, steps: int) -> list[Run]:
    """member   (group, direction, 2) int32 as in directions.py, on the device"""

    def strips(ends: Tensor, *_) -> dict[str, Tensor]:
        met = ends[:, MARGIN:-MARGIN].isfinite()
        met = pad(met, (0, -met.shape[1] % INNER)).unflatten(1, (-1, INNER)).any(2).nonzero()
        return {"strips": (met * met.new_tensor([1, INNER])).to(torch.int32).contiguous()}

    return [_run(views, slices, call, member, 1, strips) for call in _calls(views, slices, steps)]


def _calls(views, slices: int, steps: int) -> list[tuple[int, int, int]]:
    if views.ends is None or not slices:
        return [(-1, 0, slices)]
    found = runs_of(views.ends.classes(slices))
    if steps == 1 and len(found) > 1 and min(end - first for _, first, end in found) < DEEP:
        return [(MANY, 0, slices)]
    return found


def _run(views, slices: int, call: tuple[int, int, int], member: Tensor, reads: int, more) -> Run:
    kind, first, end = call
    if kind == -1:
        return Run(first, end)
    t = views.ends.t_mm.double() / views.bin_mm  # (view, bin, class)
    ends = _in_rows(views, (t[:, :, kind] if kind >= 0 else t.amin(2)).to(member.device), member, math.inf).float()
    soonest = -_most_ahead(-ends, reads)
    if kind != MANY:
        return Run(first, end, ends, soonest)
    which = views.ends.classes(slices)[first:end].to(torch.int32).to(member.device)
    t = t.permute(0, 2, 1).float().contiguous().to(member.device)
    many = Many(t, which, (views.ends.first_bin, t.shape[2]), **more(ends, soonest, first, end))
    return Run(first, end, ends, soonest, many)


def _in_rows(views, of_band: Tensor, member: Tensor, elsewhere: float, beside: float = math.inf) -> Tensor:
    """(row, .., MARGIN + bin + MARGIN) of (view, .., bin of the band); `beside` the band, `elsewhere` of no bin."""
    first = views.ends.first_bin
    whole = pad(of_band, (first, views.bins - first - of_band.shape[-1]), value=beside)
    whole = pad(torch.cat([whole, torch.full_like(whole[:1], elsewhere)]), (MARGIN, MARGIN), value=elsewhere)
    view = member.reshape(-1, 2).long()
    return torch.stack([whole[view[:, 0]], whole[view[:, 1]].flip(-1)], 1).flatten(0, 1)


def _most_ahead(x: Tensor, bins: int) -> Tensor:
    """The most of so many numbers from each on, along the last axis."""
    flat = pad(x.flatten(0, -2)[:, None], (0, bins - 1), value=-math.inf)
    return max_pool1d(flat, bins, 1).reshape(x.shape)


def _tiles(
    views, slices: int, table: Tensor, member: Tensor, ends: Tensor, soonest: Tensor, first: int, end: int
) -> dict[str, Tensor]:
    """`behind`, `start`, `rows` and `span` of Many."""
    device = table.device
    c, s = (table[:, k].double() + table[:, k + 2] for k in (0, 1))
    centre = [
        torch.arange(0, count, TILE, device=device).double() + (TILE - count) / 2 for count in (views.nx, views.ny)
    ]
    x, y = (at.flatten()[:, None] for at in torch.meshgrid(*centre, indexing="ij"))
    half = (TILE - 1) / 2 * (c.abs() + s.abs())
    low = (x * c + y * s - half + views.middle_bins - 0.01).floor().long().clamp(-WINDOW, views.bins) + MARGIN
    behind = torch.empty(len(x), len(ends), dtype=torch.uint8, device=device)
    for side, sense in enumerate((1.0, -1.0)):
        least = soonest[side::2][torch.arange(len(c), device=device), low]
        behind[:, side::2] = least <= sense * (y * c - x * s) + half + 0.01
    start = pad(behind.sum(1).cumsum(0), (1, 0)).to(torch.int32)
    rows = behind.nonzero()[:, 1].to(torch.int32)
    classes = views.ends.classes(slices)[first:end].to(device)
    t = (views.ends.t_mm.double() / views.bin_mm).permute(0, 2, 1).float().to(device)
    t = torch.cat([t, torch.full_like(t[:, :1], math.inf)], 1)[:, classes]  # (view, slice, bin): -1 is the last
    before, after = first % 8, -end % 8
    span = []
    for sign in (-1, 1):  # the most of -t is the least of t
        octets = pad(sign * t, (0, 0, before, after), value=-math.inf).unflatten(1, (-1, 8)).amax(2)
        span.append(sign * _most_ahead(_in_rows(views, octets, member, -math.inf, sign * math.inf), INNER))
    return {"behind": behind, "start": start, "rows": rows, "span": torch.stack(span, -1)}
