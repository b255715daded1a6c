"""Defocus as a sum of a few bands of depth, each with one blur.

Between two distances from the plane of focus light is taken to be a mixture of what it is at either: each band is light
with one blur, under a weight that changes linearly with the distance, and one product with a kernel. As many bands are
taken as leave MIXED of a pixel's light or less in another place than a Gaussian would, MOST_BANDS at most.
"""

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from lightlathe.dose.footprint import convolved
from lightlathe.quantities.defocus import Defocus
from lightlathe.quantities.footprint import Footprint

MIXED = 0.03  # of a pixel's light, that may lie elsewhere (a choice, no source)
MOST_BANDS = 5
SEARCH = 40  # halvings
PLACES = 3  # between two distances, at which the mixture is compared


@dataclass(frozen=True)
class Band:
    """Weight of light by its distance u = |t - focus_mm| from the plane of focus:
    min(rise_at + rise * u, fall_at - fall * u), cut to 0..1.
    """

    focus_mm: float
    rise_at: float
    rise: float
    fall_at: float
    fall: float

    @staticmethod
    def between(focus_mm: float, before: float | None, peak: float, after: float | None) -> "Band":
        """From 0 at distance `before` up to 1 at `peak` and down to 0 at `after`; 1 all the way where one is None."""
        rise_at, rise = (1.0, 0.0) if before is None else (-before / (peak - before), 1 / (peak - before))
        fall_at, fall = (1.0, 0.0) if after is None else (after / (after - peak), 1 / (after - peak))
        return Band(focus_mm, rise_at, rise, fall_at, fall)

    def weight(self, t: Tensor) -> Tensor:
        u = (t - self.focus_mm).abs()
        return torch.minimum(self.rise_at + self.rise * u, self.fall_at - self.fall * u).clamp(0, 1)


def bands(
    footprint: Footprint, defocus: Defocus | None, pitch_mm: float, radius_mm: float
) -> list[tuple[Band | None, Footprint]]:
    """The bands of a vial of this radius, each with its footprint; one, without a weight, where the light keeps its
    width.

    pitch_mm   of the columns in the resin
    """
    if defocus is None or defocus.per_mm == 0:
        return [(None, footprint)]

    def at(away_mm: float) -> Footprint:
        return replace(footprint, sigma=(footprint.sigma**2 + (defocus.sigma_mm(away_mm) / pitch_mm) ** 2) ** 0.5)

    farthest = radius_mm + abs(defocus.focus_mm)
    near = max(0.0, abs(defocus.focus_mm) - radius_mm)  # the plane of focus may lie outside the vial
    places = [near]
    while places[-1] < farthest and len(places) < MOST_BANDS:
        places.append(_next(at, places[-1], farthest) if len(places) < MOST_BANDS - 1 else farthest)
    if len(places) == 2 and misfit(at, near, farthest, alone=True) <= MIXED:
        return [(None, at((near + farthest) / 2))]
    found = []
    for k, place in enumerate(places):
        before, after = places[k - 1] if k else None, places[k + 1] if k + 1 < len(places) else None
        found.append((Band.between(defocus.focus_mm, before, place, after), at(place)))
    return found


def _next(at, near: float, farthest: float) -> float:
    """The farthest distance that may be mixed with `near`."""
    if misfit(at, near, farthest) <= MIXED:
        return farthest
    low, high = near, farthest
    for _ in range(SEARCH):
        middle = (low + high) / 2
        low, high = (middle, high) if misfit(at, near, middle) <= MIXED else (low, middle)
    return low


def misfit(at, near: float, far: float, *, alone: bool = False) -> float:
    """Share of a pixel's light that lies elsewhere, at worst between two distances, if it is a mixture of both.

    alone   if it is the light half way everywhere, from end to end
    """
    ends, worst = (at(near), at(far)), 0.0
    u = torch.linspace(-1, 1, 801, dtype=torch.float64) * ends[1].reach
    first, last, middle = (convolved(u, f.boxes, f.sigma) for f in (*ends, at((near + far) / 2)))
    for k in range(0 if alone else 1, PLACES + (2 if alone else 1)):
        share = k / (PLACES + 1)
        true = at(near + share * (far - near))
        taken = middle if alone else (1 - share) * first + share * last
        off = (convolved(u, true.boxes, true.sigma) - taken).abs().sum() * float(u[1] - u[0]) / 2
        worst = max(worst, float(off))
    return worst
