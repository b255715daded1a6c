"""Sparse linear maps along the last axis of an array, and the weights of linear interpolation between rows."""

import math
from dataclasses import dataclass
from functools import cached_property

import torch
from torch import Tensor

from lightlathe.dose import gathers

PART = 2**26  # numbers of the output that a card makes at a time
REL_TOLERANCE = 1e-9  # weights below this are rounding errors: a source one whole spacing away


@dataclass(frozen=True)
class Taps:
    """A sparse matrix along the last axis, as gathers: out[.., i] = sum over k of weight[k, i] * x[.., index[k, i]]."""

    index: Tensor  # (tap, out) int64
    weight: Tensor  # (tap, out) floating
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
        index = torch.zeros(taps, rows, dtype=torch.int64)
        table = torch.zeros(taps, rows, dtype=weight.dtype)
        index[slot, row] = column
        table[slot, row] = weight
        return Taps(index, table, columns)

    def transposed(self) -> "Taps":
        taps, rows = self.index.shape
        row = torch.arange(rows).repeat(taps)
        return Taps.of(self.index.flatten(), row, self.weight.flatten(), self.inputs, rows)

    def to(self, device: torch.device, dtype: torch.dtype) -> "Taps":
        return Taps(self.index.to(device), self.weight.to(device, dtype), self.inputs)

    @cached_property
    def table(self) -> Tensor:
        """(3, 1, tap, out) int32: as `gathers.rows` takes it, of one source and in place."""
        index = self.index.to(torch.int32)
        return torch.stack([torch.zeros_like(index), torch.zeros_like(index), index])[:, None]

    def part(self, start: int, stop: int) -> "Taps":
        """Outputs start..stop - 1 alone."""
        return Taps(self.index[:, start:stop].contiguous(), self.weight[:, start:stop].contiguous(), self.inputs)

    @property
    def is_identity(self) -> bool:
        taps, rows = self.index.shape
        if rows != self.inputs or taps != 1:
            return False
        return bool((self.index[0] == torch.arange(rows)).all()) and bool((self.weight == 1).all())

    @property
    def one_to_one(self) -> Tensor | None:
        """(out,) int64: the one input that each output is, no two the same; -1 where it is 0. None where it is more."""
        used = self.weight[0] != 0
        found = self.index[0][used]
        if len(self.index) > 1 or bool((self.weight[0][used] != 1).any()) or len(found.unique()) < len(found):
            return None
        return torch.where(used, self.index[0], -1)

    def apply(self, x: Tensor) -> Tensor:
        """Along the last axis of x. The sum runs tap after tap, so the same input gives the same bits.

        Memory: the output; in plain torch on a card also one tap's worth of a part of it.
        """
        if gathers.serve(x):
            return gathers.along(x, self.table[2, 0], self.weight)
        if x.device.type == "cpu":
            from lightlathe.dose.taps_cpu import apply

            return apply(self.index, self.weight, x)
        out = x.new_empty(*x.shape[:-1], self.index.shape[1])
        planes = max(1, PART * len(out) // max(1, out.numel()))
        for part, given in zip(out.split(planes), x.split(planes), strict=True):
            self._into(part, given)
        return out

    def _into(self, out: Tensor, x: Tensor) -> None:
        for k, (index, weight) in enumerate(zip(self.index, self.weight, strict=True)):
            term = x.index_select(-1, index)
            if k == 0:
                torch.mul(term, weight, out=out)
            else:
                out.addcmul_(term, weight)


def interpolation(at: Tensor, sources: Tensor, bin_mm: float, lone_mm: float) -> Taps:
    """How points `at` (one every bin_mm) read light given at increasing `sources`, float64 both.

    Linear interpolation between pixels coarser than the points; of finer ones the mean under a triangle that reaches
    from point to point (reading only the pixels next to a point would never use the others). Even light
    stays even; beyond the outermost sources it falls to dark over one spacing. A lone source is lone_mm wide.
    """
    gaps = sources.diff() if len(sources) > 1 else torch.tensor([lone_mm], dtype=torch.float64)
    # dark sources beyond each end, at the spacing found there, so that the ends need no rule of their own
    beyond = [math.ceil(2 * max(1.0, bin_mm / float(gap))) + 1 for gap in (gaps[0], gaps[-1])]
    before = sources[0] - gaps[0] * torch.arange(beyond[0], 0, -1, dtype=torch.float64)
    after = sources[-1] + gaps[-1] * torch.arange(1, beyond[1] + 1, dtype=torch.float64)
    places = torch.cat([before, sources, after])
    cell = (places[2:] - places[:-2]) / 2  # length that a source stands for
    cell = torch.cat([cell[:1], cell, cell[-1:]])
    above = torch.searchsorted(places, at).clamp(1, len(places) - 1)
    gap = places[above] - places[above - 1]
    coarse = gap > bin_mm * (1 - REL_TOLERANCE)
    first = torch.where(coarse, above - 1, torch.searchsorted(places, at - bin_mm))
    end = torch.where(coarse, above + 1, torch.searchsorted(places, at + bin_mm, right=True))
    number = first[:, None] + torch.arange(int((end - first).max()))
    fresh = number < end[:, None]
    number = number.clamp(max=len(places) - 1)
    reach = torch.where(coarse, gap, bin_mm)
    weight = (1 - (at[:, None] - places[number]).abs() / reach[:, None]).clamp(min=0) * fresh
    weight[weight < REL_TOLERANCE] = 0
    weight = weight * torch.where(coarse[:, None], 1.0, cell[number])
    weight = weight / weight.sum(1, keepdim=True).clamp(min=REL_TOLERANCE)
    real = (number >= beyond[0]) & (number < beyond[0] + len(sources)) & fresh
    row = torch.arange(len(at))[:, None].expand_as(number)
    return Taps.of(row[real], number[real] - beyond[0], weight[real], len(at), len(sources))
