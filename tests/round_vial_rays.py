"""Rays into a round vial, traced by vectors in numpy: Snell's law in vector form, Fresnel's equations by the cosines.

Shares nothing with the package. Source: Snell's law in vector form, e.g. Glassner, An Introduction to Ray Tracing
(1989), chapter 4; Fresnel's equations, Born & Wolf, section 1.5.2.
"""

from typing import NamedTuple

import numpy as np


class Rays(NamedTuple):
    """Where rays enter the resin, (ray, 2) mm; their direction; offset and deflection there; what is left of each
    polarisation, the field along the axis and across it. NaN, and 0 of the light, where none enters."""

    entry: np.ndarray
    direction: np.ndarray
    offset: np.ndarray
    deflection: np.ndarray
    along_axis: np.ndarray
    across_axis: np.ndarray


def traced(s: np.ndarray, inner: float, outer: float, outside: float, wall: float, resin: float) -> Rays:
    """Rays that travel along +t at s outside."""
    place = np.stack([s, np.full_like(s, -10 * outer)], 1)
    direction = np.stack([np.zeros_like(s), np.ones_like(s)], 1)
    along, across = np.ones_like(s), np.ones_like(s)
    surfaces = [(outer, outside, wall), (inner, wall, resin)] if outer > inner else [(inner, outside, resin)]
    with np.errstate(invalid="ignore"):
        for radius, before, behind in surfaces:
            b = (place * direction).sum(1)
            place = place + (-b - np.sqrt(b**2 - (place**2).sum(1) + radius**2))[:, None] * direction
            normal = place / radius  # points against the light
            cos_in = -(direction * normal).sum(1)
            ratio = before / behind
            cos_out = np.sqrt(1 - ratio**2 * (1 - cos_in**2))
            r_along = (before * cos_in - behind * cos_out) / (before * cos_in + behind * cos_out)
            r_across = (behind * cos_in - before * cos_out) / (behind * cos_in + before * cos_out)
            along, across = along * (1 - r_along**2), across * (1 - r_across**2)
            direction = ratio * direction + (ratio * cos_in - cos_out)[:, None] * normal
    offset = place[:, 0] * direction[:, 1] - place[:, 1] * direction[:, 0]
    deflection = np.arctan2(-direction[:, 0], direction[:, 1])
    return Rays(place, direction, offset, deflection, np.nan_to_num(along), np.nan_to_num(across))
