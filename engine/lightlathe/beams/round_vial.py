"""Refraction into a round vial: where a ray that meets its outside runs in the resin, and what is left of its light."""

import math
from dataclasses import dataclass
from typing import Literal

import torch
from torch import Tensor

from lightlathe.families import Resin, VialSize

Polarisation = Literal["unpolarised", "along_axis", "across_axis"]


@dataclass(frozen=True)
class RoundVial:
    """Two concentric cylinders: surroundings, wall, resin. Rays run across the axis.

    inner_mm, outer_mm      radii of the wall
    outside, wall, resin    refractive indices

    Sources: Snell's law at each surface; n r sin(incidence) is the same all along a ray through concentric layers
    (Bouguer; Born & Wolf, Principles of Optics, section 3.2), so the wall moves no chord nearer to the axis or further
    from it, and only turns it. Fresnel's equations: Born & Wolf, section 1.5.2.
    """

    inner_mm: float
    outer_mm: float
    outside: float
    wall: float
    resin: float

    @staticmethod
    def of(vial: VialSize, resin: Resin) -> "RoundVial":
        n = resin.refractive_index
        outside, wall = vial.index_outside(n), vial.index_of_wall(n)
        return RoundVial(vial.radius_mm, vial.radius_mm + (vial.wall_mm or 0.0), outside, wall, n)

    @property
    def matched(self) -> bool:
        """True where light enters straight and whole."""
        return self.outside == self.resin and (self.wall == self.resin or self.outer_mm == self.inner_mm)

    @property
    def narrowing(self) -> float:
        """Offset of a chord in the resin over that of its ray outside."""
        return self.outside / self.resin

    @property
    def addressable_mm(self) -> float:
        """S, the largest offset of a chord in the resin: what lies further out is seen from only some directions.

        min(R_i, R_o n1 / n2), and R_i times the wall's index over n2 where that is less: no ray beyond enters.
        """
        return min(radius * min(before, behind) / self.resin for radius, before, behind in self._surfaces())

    def deflection_rad(self, offset_mm: Tensor) -> Tensor:
        """How far rays at these offsets outside are turned, towards the axis: the sum over both surfaces.

        Of rays that never enter: the deflection of the last that does.
        """
        reach = self.addressable_mm / self.narrowing
        turned = torch.zeros_like(offset_mm)
        for radius, before, after in self._surfaces():
            moment = self.outside * offset_mm.clamp(-reach, reach) / radius
            turned += (moment / before).clamp(-1, 1).asin() - (moment / after).clamp(-1, 1).asin()
        return turned

    def seen_to_foot(self, to_foot: Tensor, offset_mm: Tensor) -> Tensor:
        """Length of the way to the foot of the chord, each piece divided by the index of what it is in.

        to_foot   to the foot of the ray before the vial, which it reaches only if nothing refracts
        offset_mm   outside; of rays that never enter: as of the last that do
        """
        if self.matched:
            return to_foot / self.outside
        reach = self.addressable_mm / self.narrowing
        moment = self.outside * offset_mm.clamp(-reach, reach)

        def half(radius: float, index: float) -> Tensor:
            """Half of the chord of a circle that a ray has in a medium."""
            return (radius**2 - (moment / index).square()).clamp(min=0).sqrt()

        seen = (to_foot - half(self.outer_mm, self.outside)) / self.outside
        if self.outer_mm > self.inner_mm:
            seen = seen + (half(self.outer_mm, self.wall) - half(self.inner_mm, self.wall)) / self.wall
        return seen + half(self.inner_mm, self.resin) / self.resin

    def focus_along_mm(self, offset_mm: Tensor) -> Tensor:
        """Where light comes to a focus along z that does so on the plane of the axis without the vial: t on its chord.

        offset_mm   of rays outside. Along z n sin(elevation) is kept, so light rises by elevation times the way over
        the index of what it is in. On the axis: R_o n2 / n1 - R_i - (R_o - R_i) n2 / n_wall beyond it.
        """
        return -self.resin * self.seen_to_foot(torch.zeros_like(offset_mm), offset_mm)

    def transmittance(self, offset_mm: Tensor, polarisation: Polarisation = "unpolarised") -> Tensor:
        """Share of the power that enters the resin, 0 for rays that miss it or are totally reflected.

        The two polarisations are each followed through both surfaces and averaged behind them for unpolarised light.
        Along the axis the field is perpendicular to the plane of incidence (s), across it lies in that plane (p).
        """
        senkrecht, parallel = torch.ones_like(offset_mm), torch.ones_like(offset_mm)
        for radius, before, after in self._surfaces():
            moment = self.outside * offset_mm / radius
            enters = (moment.abs() < min(before, after)).to(offset_mm)
            cos_in, cos_out = ((1 - (moment / n).square()).clamp(min=0).sqrt() for n in (before, after))
            for kept, a, b in (
                (senkrecht, before * cos_in, after * cos_out),
                (parallel, after * cos_in, before * cos_out),
            ):
                kept *= enters * 4 * a * b / (a + b).square().clamp(min=1e-300)
        return {"along_axis": senkrecht, "across_axis": parallel}.get(polarisation, (senkrecht + parallel) / 2)

    def _surfaces(self) -> tuple[tuple[float, float, float], ...]:
        """(radius, index before, index behind) of each; one where the wall is too thin to matter."""
        if self.outer_mm == self.inner_mm:
            return ((self.inner_mm, self.outside, self.resin),)
        return ((self.outer_mm, self.outside, self.wall), (self.inner_mm, self.wall, self.resin))


def seen_from(radius_mm: float, addressable_mm: float) -> float:
    """Share of all directions from which light reaches a place: (2 / pi) asin(S / r) beyond S, all within it.

    From a place at r a chord of direction psi passes the axis at r |sin(psi)|, and none does further out than S.
    """
    return 1.0 if radius_mm <= addressable_mm else 2 / math.pi * math.asin(addressable_mm / radius_mm)
