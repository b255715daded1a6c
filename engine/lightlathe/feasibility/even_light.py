"""Dose of uniform light from all directions in an absorbing vial, in units of the incident light.

`a` is absorption times vial radius, mu R. Straight rays, an index-matched vial, a beam at least as wide as the vial.
"""

import functools
import math

import numpy as np

SERIES_FROM = 20.0  # above, I0 - L0 is a difference of huge numbers; the series is good to 1e-7 from here


def centre(a: float) -> float:
    """On the axis: every ray crosses one radius of resin."""
    return math.exp(-a)


def edge(a: float) -> float:
    """At the wall: (1 + I0(2a) - L0(2a)) / 2, Bessel and modified Struve. Half of all rays arrive unweakened."""
    from scipy import special

    x = 2 * a
    if x < SERIES_FROM:
        return float((1 + special.iv(0, x) - special.modstruve(0, x)) / 2)
    # I0 - L0 = (2/pi) int_0^1 exp(-x u) / sqrt(1 - u^2) du, term by term (Abramowitz & Stegun 12.2.6)
    terms = 1 / x * (1 + 1 / x**2 + 9 / x**4 + 225 / x**6 + 11025 / x**8)
    return 0.5 + terms / math.pi


def profile(a: float, radius: float) -> float:
    """At `radius` (0 axis, 1 wall): mean over directions of exp(-depth), by Gauss-Legendre quadrature."""
    if radius >= 1:
        return edge(a)
    angle, weights = _nodes()
    s, t = radius * np.cos(angle), radius * np.sin(angle)
    return float(weights @ np.exp(-a * (np.sqrt(1 - s * s) + t)) / math.pi)


def mean_within(a: float, radius: float) -> float:
    """Mean over the disc of `radius` about the axis."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    r = radius * (nodes + 1) / 2
    return float(sum(w * x * profile(a, x) for x, w in zip(r, weights, strict=True)) / radius)


def depth_where(a: float, share: float) -> float:
    """Distance from the wall, in radii, at which the dose has fallen to `share` of the wall's; NaN if it never does."""
    from scipy.optimize import root_scalar

    wanted = share * edge(a)
    if centre(a) >= wanted:
        return math.nan
    return float(root_scalar(lambda u: profile(a, 1 - u) - wanted, bracket=(1e-9, 1.0)).root)


@functools.cache
def _nodes() -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre nodes and weights over half a turn, on 80 panels that shrink towards the middle, where grazing
    rays turn sharply."""
    ends = math.pi / 2 * np.linspace(-1, 1, 81) ** 3
    x, w = np.polynomial.legendre.leggauss(8)
    half, middle = np.diff(ends)[:, None] / 2, (ends[1:] + ends[:-1])[:, None] / 2
    return (half * x + middle).ravel(), (half * w).ravel()
