"""Pixels as they are, as sparse maps: columns onto bins fine enough for their shape, rows onto slices.

A footprint is a convolution of boxes with a Gaussian. Across the light it is represented by bins between which kernels
interpolate linearly: each bin takes the mean of the footprint over its own width, and the Gaussian is narrowed so that
the variance of the whole is the footprint's; `misplaced` says how much of the light lies elsewhere all the same. Along
the axis each slice takes the mean over its height, of linear pixels no closer than slices what its centre reads.
"""

import math
from functools import cache

import torch
from torch import Tensor

from lightlathe.dose.profile import Profile
from lightlathe.dose.taps import Taps
from lightlathe.quantities.footprint import Footprint

MOST_BINS = 5  # for each column
MOST_ACROSS = 4096  # of a view
MISPLACED = 0.02  # of a pixel's light, that bins may put elsewhere where there need not be more of them
SAMPLES = 40  # places in a bin at which that is looked at
HALVINGS = 60
ROUNDING = 1e-12
LEAST = 1e-7  # of a pixel's light: less is dropped


def bins_for(footprint: Footprint, pixel_mm: float, finest_mm: float, columns: int = 1) -> int:
    """Bins for each column: as few as represent the footprint well.

    MOST_BINS at most, none finer than `finest_mm`, and of so many columns no more than MOST_ACROSS, which kernels for
    cards take.
    """
    across = MOST_ACROSS // (columns + 2 * math.ceil(footprint.reach + 1))
    most = max(1, min(MOST_BINS, int(pixel_mm / finest_mm * (1 + 1e-9)), across))
    return next((bins for bins in range(1, most) if misplaced(footprint, bins) <= MISPLACED), most)


@cache
def misplaced(footprint: Footprint, finer: int) -> float:
    """Share of a pixel's light that its bins put elsewhere across the light: half the integral of the difference."""
    if footprint.plain:
        return 0.0
    taps = onto_bins(footprint, 1, finer)
    bins = taps.index.shape[1]
    u = torch.arange(-(bins // 2) * SAMPLES, (bins // 2) * SAMPLES + 1, dtype=torch.float64) / (finer * SAMPLES)
    at = (torch.arange(bins) - bins // 2) / finer
    light = (1 - (u[:, None] - at).abs() * finer).clamp(min=0) @ taps.weight[0]
    return float((light - convolved(u, footprint.boxes, footprint.sigma)).abs().sum() / (2 * finer * SAMPLES))


def onto_bins(footprint: Footprint, columns: int, finer: int) -> Taps:
    """Columns -> bins, `finer` for each column, with the same middle; the outermost are those with light.

    The light of a column adds up to `finer` bins of it, so that even light stays even.
    """
    beyond, steps, weight = _steps(footprint, finer)
    bins = (columns - 1) * finer + 1 + 2 * beyond
    column = torch.arange(columns)[:, None]
    bin_ = column * finer + beyond + steps
    each = weight.expand(columns, -1)
    return Taps.of(bin_.flatten(), column.expand_as(bin_).flatten(), each.flatten(), bins, columns)


def profile_of(footprint: Footprint, finer: int) -> Profile:
    """What a place takes of a column where its light lies in `finer` bins, read linearly, by its distance."""
    return Profile(tuple(_steps(footprint, finer)[2].tolist()), finer)


def _steps(footprint: Footprint, finer: int) -> tuple[int, Tensor, Tensor]:
    """Bins on either side of a column's own that may have light; which of them do, counted from it; their weights."""
    beyond = math.ceil(footprint.reach * finer) + 1
    away = torch.arange(-beyond, beyond + 1, dtype=torch.float64) / finer
    weight = _weights(footprint, away, 1 / finer)
    kept = weight > LEAST * float(weight.amax())
    return beyond, torch.arange(-beyond, beyond + 1)[kept], weight[kept]


def onto_slices(footprint: Footprint, at: Tensor, rows: Tensor, voxel_mm: float, row_mm: float) -> Taps:
    """Rows at heights `rows` -> slices at heights `at`, mm: the mean of each row's light over each slice.

    Of linear pixels no closer than slices what their centre reads, as without blur.
    """
    centre = footprint.shape == "linear" and row_mm > voxel_mm * (1 - ROUNDING)
    boxes = footprint.boxes if centre else (*footprint.boxes, voxel_mm / row_mm)
    weight = convolved((at[:, None] - rows) / row_mm, boxes, footprint.sigma)
    weight[weight < LEAST * float(weight.amax())] = 0
    weight[(weight - 1).abs() < ROUNDING] = 1  # all of a row's light and no other's: slices stay independent
    slice_, row = weight.nonzero(as_tuple=True)
    return Taps.of(slice_, row, weight[slice_, row], len(at), len(rows))


def _weights(footprint: Footprint, away: Tensor, bin_: float) -> Tensor:
    """Of the bins `away` from a column, in pixels, evenly spaced by `bin_`, of the column's light; adding up to
    1 / bin_."""

    def made(sigma: float) -> tuple[Tensor, float]:
        weight = convolved(away, (*footprint.boxes, bin_), sigma)
        weight = weight / (weight.sum() * bin_)
        return weight, float((weight * away.square()).sum() * bin_) + bin_**2 / 6  # interpolation adds the last

    low, high = 0.0, footprint.sigma
    if made(low)[1] >= footprint.variance:
        return made(low)[0]
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if made(middle)[1] < footprint.variance else (low, middle)
    return made(low)[0]


def convolved(u: Tensor, widths: tuple[float, ...], sigma: float) -> Tensor:
    """Boxes of area 1 and these widths, one to three, convolved with each other and with a Gaussian, at u (float64).

    By the n-th integral of the Gaussian, differenced once for each box.
    """
    total = torch.zeros_like(u)
    for signs in torch.cartesian_prod(*[torch.tensor([1.0, -1.0], dtype=torch.float64)] * len(widths)).reshape(
        -1, len(widths)
    ):
        shift = float((signs * torch.tensor(widths, dtype=torch.float64)).sum() / 2)
        total += signs.prod() * _integral(u + shift, len(widths), sigma)
    return (total / math.prod(widths)).clamp(min=0)


def _integral(x: Tensor, times: int, sigma: float) -> Tensor:
    """The Gaussian of standard deviation sigma, integrated `times` times from -infinity."""
    if sigma == 0:
        step = torch.where(x > 0, 1.0, torch.where(x < 0, 0.0, 0.5))
        return step * x ** (times - 1) / math.factorial(times - 1)
    below = 0.5 * torch.special.erfc(-x / (sigma * math.sqrt(2)))
    density = torch.exp(-0.5 * (x / sigma).square()) / (sigma * math.sqrt(2 * math.pi))
    if times == 1:
        return below
    if times == 2:
        return x * below + sigma**2 * density
    return ((x.square() + sigma**2) * below + x * sigma**2 * density) / 2
