"""Rebinning as tables of rows to add up (gathers.py): of views by images, and of images by views."""

import torch
from torch import Tensor


def turned_tables(turned, share: Tensor | None) -> tuple[tuple[Tensor, Tensor], tuple[Tensor, Tensor]]:
    """(3, target, tap, row) int32 and (target, tap, row) weight of `Rebinning.forward`, and of its transpose.

    share   (column, 1) of its light that each column keeps
    A bin between two columns reads both: so many entries as images times columns that give it light.
    """
    sets, taps, bins = turned.weight.shape
    finer, columns = turned.finer, (bins + 1) // turned.finer - 1 if turned.finer > 1 else bins
    number, view = torch.arange(bins), torch.arange(sets)
    low, part = number, torch.zeros(bins, dtype=torch.float64)
    if finer > 1:
        low, part = (number + 1) // finer - 1, ((number + 1) % finer).double() / finer
    view, bin_ = view[:, None, None].expand(sets, taps, bins).flatten(), number.repeat(sets * taps)
    image, weight = turned.image.flatten(), turned.weight.double().flatten()
    column = torch.cat([low[bin_], low[bin_] + 1])
    weight = torch.cat([weight * (1 - part[bin_]), weight * part[bin_]])
    view, bin_, image = view.repeat(2), bin_.repeat(2), image.repeat(2)
    kept = (weight != 0) & (column >= 0) & (column < columns)
    view, bin_, image, column, weight = (x[kept] for x in (view, bin_, image, column, weight))
    if share is not None:
        weight = weight * share.double().cpu()[column, 0]
    none = torch.zeros_like(view)
    return (
        _table(view, bin_, (none, image, column), weight, sets, bins, turned.angles),
        _table(none, column, (view, -image, bin_), weight, 1, columns, turned.angles),
    )


def _table(
    target: Tensor,
    row: Tensor,
    source: tuple[Tensor, Tensor, Tensor],
    weight: Tensor,
    targets: int,
    rows: int,
    angles: int,
) -> tuple[Tensor, Tensor]:
    """Entries in slots by the row that they add to."""
    into = target * rows + row
    order = torch.argsort(into, stable=True)
    into, weight = into[order], weight[order]
    counts = torch.bincount(into, minlength=targets * rows)
    slot = torch.arange(len(into)) - (counts.cumsum(0) - counts)[into]
    taps = max(1, int(counts.max()))
    table = torch.zeros(3, targets, taps, rows, dtype=torch.int32)
    weights = torch.zeros(targets, taps, rows, dtype=torch.float64)
    at = (into // rows, slot, into % rows)
    for part, values in zip(table, (source[0], source[1] % angles, source[2]), strict=True):
        part[at] = values[order].to(torch.int32)
    weights[at] = weight
    return table, weights
