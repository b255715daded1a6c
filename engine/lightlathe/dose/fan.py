"""Columns of a fan, unevenly far apart in the resin, as evenly spaced bins: what rebinning takes.

A column lights a triangle in offset, from the chord of the column before to that of the column behind, so that light
is linear between them. A bin takes 1 / spacing times the integral of a triangle of its own, two bins wide, times the
light there. The triangles of the columns add up to 1, and so do those of the bins: even light stays even, and no
column gains or loses power. The price is some blur, spacing^2 / 6 in variance, so bins are finer than columns where a
design can use that.

Source: L2 projection lumped to the diagonal, common practice in finite elements, no source.
"""

from dataclasses import replace

import torch
from torch import Tensor

from lightlathe.dose.across import Across
from lightlathe.dose.footprint import onto_bins
from lightlathe.dose.taps import Taps
from lightlathe.quantities import Chords, Footprint, Magnification

REL_TOLERANCE = 1e-12  # of a bin's light: an overlap below this is rounding
EVEN = 1e-9  # of the distance between two chords, by which it may vary from chord to chord


def evened(chords: Chords, finer: int, footprint: Footprint) -> tuple[Across, Chords]:
    """The map of columns onto bins, and the chords of the bins: even ones, with all of their light.

    finer       bins for the closest two columns
    footprint   of pixels: theirs are spread over `finer` places for each column first, which then count as columns
    """
    columns, turn = with_dark(chords)
    spacing = float(columns.diff().amin()) / finer
    number = torch.arange(len(columns), dtype=torch.float64) - 1  # of each chord, the dark ones are -1 and the last
    places, spreading = columns, None
    if not footprint.plain:
        spreading = onto_bins(footprint, len(columns) - 2, finer)
        count = spreading.index.shape[1]
        at = (torch.arange(-1, count + 1, dtype=torch.float64) - (count - 1) / 2) / finer + (len(columns) - 3) / 2
        places = between(at, number, columns, beyond=True)
    width = float(places[-1] - places[0])
    count = max(1, round(width / spacing)) + 1  # columns that are all but even have bins on them
    spacing = width / (count - 1)
    middle = float(places[0] + places[-1]) / 2
    bins = middle + (torch.arange(count, dtype=torch.float64) - (count - 1) / 2) * spacing
    spread = None
    if chords.magnification is not None:
        lit, given = chords.offset_mm.double().cpu(), chords.magnification
        at_foot, per_mm = (between(bins, lit, x.double().cpu()) for x in (given.at_foot, given.per_mm))
        spread = Magnification(at_foot, per_mm, given.pupil_z_mm)
    even = replace(
        chords,
        offset_mm=bins,
        deflection_rad=between(bins, columns, turn, beyond=True),
        transmittance=torch.ones_like(bins),
        dark_before=None,
        dark_after=None,
        magnification=spread,
    )
    onto = overlaps(bins, places)
    return Across.of(onto if spreading is None else _both(spreading, onto)), even


def evenly_spaced(chords: Chords) -> bool:
    """True where chords and the dark ones beside them lie even, and none has rows that spread."""
    offset = chords.offset_mm.double().cpu()
    if len(offset) < 2:
        return chords.magnification is None
    gaps = with_dark(chords)[0].diff()
    mean_mm = float(offset[-1] - offset[0]) / (len(offset) - 1)
    even = bool(((gaps - mean_mm).abs() < EVEN * mean_mm * len(offset)).all())
    return even and chords.magnification is None


def with_dark(chords: Chords) -> tuple[Tensor, Tensor]:
    """Offset and deflection of every chord and of the dark one beyond each end, (column + 2,) each."""
    offset, turn = chords.offset_mm.double().cpu(), chords.deflection_rad.double().cpu()
    first, last = (
        (float(offset[1] - offset[0]), float(offset[-1] - offset[-2])) if len(offset) > 1 else [chords.row_mm] * 2
    )
    before = chords.dark_before or (float(offset[0]) - first, float(turn[0]))
    after = chords.dark_after or (float(offset[-1]) + last, float(turn[-1]))
    ends = [offset.new_tensor(end) for end in (before, after)]
    return torch.cat([ends[0][:1], offset, ends[1][:1]]), torch.cat([ends[0][1:], turn, ends[1][1:]])


def between(at: Tensor, places: Tensor, values: Tensor, beyond: bool = False) -> Tensor:
    """Values at places, increasing, read linearly between them; outside the last one, or `beyond`: on the last line."""
    if len(places) == 1:
        return values.expand(len(at))
    above = torch.searchsorted(places, at).clamp(1, len(places) - 1)
    share = (at - places[above - 1]) / (places[above] - places[above - 1])
    share = share if beyond else share.clamp(0, 1)
    return values[above - 1] * (1 - share) + values[above] * share


def _both(first: Taps, second: Taps) -> Taps:
    """The one after the other, as one map."""
    dense = _dense(second) @ _dense(first)
    row, column = dense.nonzero(as_tuple=True)
    return Taps.of(row, column, dense[row, column], *dense.shape)


def _dense(taps: Taps) -> Tensor:
    """(out, in)"""
    out = taps.index.shape[1]
    row = torch.arange(out).expand_as(taps.index)
    matrix = torch.zeros(out, taps.inputs, dtype=taps.weight.dtype)
    return matrix.index_put_((row, taps.index), taps.weight, accumulate=True)


def overlaps(bins: Tensor, columns: Tensor) -> Taps:
    """bin <- column: 1 / spacing * integral of the bin's triangle times the column's; `columns` with dark ones around.

    Between two places where either is bent both are straight, so Simpson's rule is exact.
    """
    spacing = float(bins[1] - bins[0])
    beyond = torch.cat([bins[:1] - spacing, bins, bins[-1:] + spacing])
    knots = torch.cat([beyond, columns]).unique()  # sorted
    knots = knots[(knots >= columns[0]) & (knots <= columns[-1])]
    low, high = knots[:-1], knots[1:]
    middle, length = (low + high) / 2, high - low
    bin_, column = (torch.searchsorted(x, middle).clamp(1, len(x) - 1) - 1 for x in (beyond, columns))  # lower of two
    entries: list[tuple[Tensor, Tensor, Tensor]] = []
    for of_bin in (0, 1):
        for of_column in (0, 1):
            product = [
                _hat(at, beyond, bin_, of_bin) * _hat(at, columns, column, of_column) for at in (low, middle, high)
            ]
            weight = length * (product[0] + 4 * product[1] + product[2]) / 6 / spacing
            entries.append((bin_ + of_bin - 1, column + of_column - 1, weight))
    row, source, weight = (torch.cat(parts) for parts in zip(*entries, strict=True))
    real = (row >= 0) & (row < len(bins)) & (source >= 0) & (source < len(columns) - 2) & (weight > REL_TOLERANCE)
    inputs = len(columns) - 2
    found, where = (row * inputs + source)[real].unique(return_inverse=True)
    total = torch.zeros(len(found), dtype=torch.float64).index_add_(0, where, weight[real])
    return Taps.of(found // inputs, found % inputs, total, len(bins), inputs)


def _hat(at: Tensor, knots: Tensor, lower: Tensor, upper: int) -> Tensor:
    """Triangle of knot lower + upper at places between the knots lower and lower + 1."""
    share = (at - knots[lower]) / (knots[lower + 1] - knots[lower])
    return share if upper else 1 - share
