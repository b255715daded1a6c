"""Light out of focus behind a bare round vial: differently across the axis and along it.

Across, a pixel shines into several directions, and each direction is that of the same pixel in an image at another scan
angle: images are spread over directions as a turning vial spreads them (rebin.py). Along z light widens with the
distance from a focus that lies elsewhere on every chord. Between two depths it is taken to be a mixture of what it is
at either, as in focus.py: each band is light with the blur that every column has at one depth, under a weight that
rises and falls linearly with depth. The variance of the mixture is that at the two depths, mixed: half way between
depths h apart (NA / n)^2 h^2 / 16 too large, most where light should be in focus.

The directions across and along are taken as independent Gaussians with the variances of a disc. Errors against photons:
tests/dose/test_photons.py.
"""

import math
from dataclasses import replace
from typing import Any

import torch
from torch import Tensor

from lightlathe.dose.focus import MOST_BANDS, Band
from lightlathe.dose.pixel_map import PixelMap
from lightlathe.dose.taps import Taps
from lightlathe.quantities import Astigmatism, Optics

APART = 0.3  # of a row: how far the blur of a row may be off half way between two depths (a choice, no source)
SIGMAS = 4  # of a Gaussian that is followed
FEW = 0.5  # variance, rows squared, up to which a row goes to its neighbours alone


def in_depth(optics: Optics) -> list[tuple[Band | None, PixelMap | None, Optics]]:
    """Band, blur along the rows and the optics of light that is blurred by it, for each of a few depths."""
    defocus, radius_mm = optics.defocus, optics.vial_radius_mm
    assert isinstance(defocus, Astigmatism)
    if defocus.per_mm == 0:
        return [(None, None, optics.replace(defocus=None))]
    apart_mm = 2 * APART * optics.chords.row_mm / (defocus.per_mm / 2)
    count = min(MOST_BANDS, max(2, math.ceil(2 * radius_mm / apart_mm) + 1))
    depths = torch.linspace(-radius_mm, radius_mm, count, dtype=torch.float64).tolist()
    found = []
    for k, depth in enumerate(depths):
        before = depths[k - 1] + radius_mm if k else None
        after = depths[k + 1] + radius_mm if k + 1 < count else None
        band = Band.between(-radius_mm, before, depth + radius_mm, after)
        found.append((band, *_blurred(optics, (depth - defocus.focus_mm).abs() * defocus.per_mm / 2)))
    return found


def _blurred(optics: Optics, sigma_mm: Tensor) -> tuple[PixelMap, Optics]:
    """Light blurred along the rows, by column, and the optics of it: of as many more rows as it reaches."""
    columns, rows = optics.chords.pattern_shape[1:]
    sigma = sigma_mm / optics.chords.row_mm
    beyond = max(1, math.ceil(SIGMAS * float(sigma.amax())))
    row, step = torch.arange(rows + 2 * beyond), torch.arange(-beyond, beyond + 1)
    weight = _weights(sigma, step)
    source = row - beyond - step[:, None]  # (step, row)
    lit = (source >= 0) & (source < rows)
    index = source.clamp(0, rows - 1)[:, None] + torch.arange(columns)[:, None] * rows
    taps = Taps(index.flatten(1), (weight.T[:, :, None] * lit[:, None]).flatten(1), columns * rows)
    made = PixelMap(optics.illumination, taps, None, (columns, rows), (columns, len(row)))
    changes: dict[str, Any] = {"illumination": None, "defocus": None}
    return made, replace(optics, **changes).replace(rows=len(row))


def _weights(sigma: Tensor, step: Tensor) -> Tensor:
    """(column, step): what a row gives those `step` rows from it: a Gaussian, or, where that is narrow, shares of its
    neighbours with the same variance."""
    variance = sigma.square()[:, None]
    wide = torch.exp(-step.square() / (2 * variance.clamp(min=FEW)))
    wide = wide / wide.sum(1, keepdim=True)
    few = torch.where(step == 0, 1 - variance, torch.where(step.abs() == 1, variance / 2, 0.0))
    return torch.where(variance > FEW, wide, few)
