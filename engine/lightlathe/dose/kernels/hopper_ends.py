"""The ends of chords as cuda_hopper.cu reads them: one table for each run of slices of one cross-section."""

import math
from dataclasses import dataclass
from functools import lru_cache

import torch
from torch import Tensor

MARGIN = 64  # bins without an end on either side of a view, as in cuda_hopper.cu
FEW = 16  # runs of slices of one cross-section: each is a call of its own


@dataclass(frozen=True, eq=False)
class Run:
    """Slices first..end - 1, of one cross-section.

    ends      (row, MARGIN + bin + MARGIN) float32: t in bins at which a chord ends, a row for each of the views that
              `runs` was given, of opposite views backwards as their light is; None where no insert stands
    soonest   the least of `ends` over as many bins from each on as a tile reads
    """

    first: int
    end: int
    ends: Tensor | None = None
    soonest: Tensor | None = None


def runs_of(classes: Tensor) -> list[tuple[int, int, int]]:
    """(class, first, end) of each run of slices of one class."""
    kinds, lengths = classes.unique_consecutive(return_counts=True)
    ends = lengths.cumsum(0)
    return list(zip(kinds.tolist(), (ends - lengths).tolist(), ends.tolist(), strict=True))


@lru_cache(maxsize=16)
def runs(views, slices: int, member: Tensor, reads: int = 1) -> list[Run]:
    """member   (.., 2) int32: the view of a direction and the opposite one, -1 where there is none; on the device
    reads    bins that a tile reads"""
    if views.ends is None or not slices:
        return [Run(0, slices)]
    found, tables = [], {}
    for kind, first, end in runs_of(views.ends.classes(slices)):
        if kind >= 0 and kind not in tables:
            tables[kind] = _tables(views, kind, member, reads)
        found.append(Run(first, end, *tables.get(kind, ())))
    return found


def _tables(views, kind: int, member: Tensor, reads: int) -> tuple[Tensor, Tensor]:
    first, t_mm = views.ends.first_bin, views.ends.t_mm[:, :, kind].double()
    of_view = torch.full((views.angles + 1, views.bins), math.inf, dtype=torch.float64)  # the last: of no view
    of_view[:-1, first : first + t_mm.shape[1]] = t_mm / views.bin_mm
    view = member.flatten(0, -2).cpu().long()
    rows = torch.stack([of_view[view[:, 0]], of_view[view[:, 1]].flip(1)], 1).flatten(0, 1).float()
    ends = torch.nn.functional.pad(rows, (MARGIN, MARGIN), value=math.inf).to(member.device)
    ahead = torch.nn.functional.pad(ends, (0, reads - 1), value=math.inf)
    return ends, -torch.nn.functional.max_pool1d(-ahead, reads, 1)
