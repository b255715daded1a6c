"""Reflection at a flat surface between air and another medium."""

from typing import Literal

from torch import Tensor


def plane_transmittance(sin_in: Tensor, index: float, polarisation: Literal["along_axis", "across_axis"]) -> Tensor:
    """Share of the power that enters from air. Along the axis the field is perpendicular to the plane of incidence.

    Source: Fresnel's equations; Born & Wolf, Principles of Optics, section 1.5.2.
    """
    cos_in, cos_out = (1 - sin_in.square()).sqrt(), (1 - (sin_in / index).square()).sqrt()
    a, b = (cos_in, index * cos_out) if polarisation == "along_axis" else (index * cos_in, cos_out)
    return 4 * a * b / (a + b).square()
