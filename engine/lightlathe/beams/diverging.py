"""Light of a lens at a finite distance: a consumer projector. Its rays leave one pupil as a fan, and rows spread."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import torch
from torch import Tensor

from lightlathe.beams.plane import plane_transmittance
from lightlathe.beams.round_vial import Polarisation, RoundVial
from lightlathe.errors import JobError
from lightlathe.families import Resin, VialSize
from lightlathe.quantities import Chords, Magnification

ACROSS = 32  # places across a pixel at which the light that enters is looked at: it ends steeply at grazing incidence
MATCHED = RoundVial(math.inf, math.inf, 1.0, 1.0, 1.0)  # where nothing is known of a vial, light goes straight


class Rays(NamedTuple):
    """In the plane across the axis, by the place s that a ray is aimed at: its chord in the resin.

    outside_mm, before_rad   offset and deflection of the ray before the vial
    offset_mm, deflection_rad   of the chord
    at_foot, per_mm   of its magnification
    sin_in   sine of the angle at which it meets the window, in air
    """

    outside_mm: Tensor
    offset_mm: Tensor
    deflection_rad: Tensor
    at_foot: Tensor
    per_mm: Tensor
    sin_in: Tensor


@dataclass(frozen=True)
class Diverging:
    """All rays leave the pupil of a lens, `distance_mm` before the turning axis.

    throw_ratio      distance over the width of the picture in the plane of the axis; or
    distance_mm      from the pupil to the turning axis; one of the two
    lens_height_mm   height of the pupil above z = 0, the middle of the picture and of the grid
    lens_offset_mm   how far across the light the pupil lies beside the middle of the picture
    window_mm        distance from the axis to the flat side of a bath, where rays refract; outside is air. Left out:
                     all the way from the lens to the vial is in the vial's surroundings. Its pane is taken as thin
    polarisation     "unpolarised", "along_axis" or "across_axis": where the electric field points

    The picture is flat and evenly bright in the plane of the axis, measured without vial and bath. A column is a fan's
    ray across the axis, followed by Snell's law in that plane; up and down angles are taken as small: the slope of a
    ray changes by n1 / n2 at every surface. (Really n sin(elevation) is kept there, and rays that rise are refracted a
    little otherwise across too.) Errors against exact rays: tests/beams/test_diverging.py.

    Source: fan beams, Kak & Slaney, Principles of Computerized Tomographic Imaging (1988), section 3.4; refraction: see
    round_vial.py.
    """

    throw_ratio: float | None = None
    distance_mm: float | None = None
    lens_height_mm: float = 0.0
    lens_offset_mm: float = 0.0
    window_mm: float | None = None
    polarisation: Polarisation = "unpolarised"

    def __post_init__(self) -> None:
        if (self.throw_ratio is None) == (self.distance_mm is None):
            given = "neither" if self.throw_ratio is None else "both"
            raise JobError(
                f"{given} of throw_ratio and distance_mm is given; expected one: throw_ratio, the distance over the "
                "width of the picture as in a projector's manual, or distance_mm, from the lens to the turning axis."
            )
        for name in ("throw_ratio", "distance_mm", "window_mm"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise JobError(f"{name} is {value}; expected a number above 0.")

    def distance_of(self, columns: int, pixel_mm: float) -> float:
        """Distance from the pupil to the axis, mm."""
        return self.throw_ratio * columns * pixel_mm if self.distance_mm is None else self.distance_mm  # pyright: ignore[reportOptionalOperand]

    def half_angle_rad(self, columns: int, pixel_mm: float) -> float:
        """Half the angle of the fan, atan(1 / (2 throw ratio)); of a lens beside the middle the larger half."""
        edge = columns * pixel_mm / 2 + abs(self.lens_offset_mm)
        return math.atan(edge / self.distance_of(columns, pixel_mm))

    def narrowing(self, columns: int, pixel_mm: float, layers: RoundVial) -> float:
        """Distance of two chords in the resin over that of their pixels, near the axis."""
        drawn = 0.0 if self.window_mm is None else self.window_mm * (1 - 1 / layers.outside)
        return layers.narrowing * (1 - drawn / self.distance_of(columns, pixel_mm))

    def width_mm(self, columns: int, pixel_mm: float, layers: RoundVial, axis_mm: float = 0.0) -> float:
        """Twice the distance from the axis at which the light ends in the resin, on the side where that is less.

        axis_mm   of the axis beside the middle of the picture, across
        """
        edge, distance = columns * pixel_mm / 2, self.distance_of(columns, pixel_mm)
        ends = torch.tensor([-edge, edge], dtype=torch.float64) - axis_mm
        low, high = self._rays(ends, self.lens_offset_mm - axis_mm, distance, layers).offset_mm.tolist()
        return max(0.0, 2 * min(-low, high))

    def chords(
        self,
        *,
        angle_rad: Tensor,
        columns: int,
        rows: int,
        pixel_mm: float,
        axis_offset_mm: float = 0.0,
        vial: VialSize | None = None,
        resin: Resin | None = None,
    ) -> Chords:
        """Chords of a projector with square pixels of `pixel_mm`, as they would be where the vial stands without it.

        axis_offset_mm   how far across the light the projector's middle column, and its lens, miss the turning axis
        vial, resin      of the job; where either is left out nothing refracts

        Transmittance is the share of the pixel's light that enters, a mean over its width, times the pixel's width over
        the distance between chords in the resin. Columns that miss the resin carry none.
        JobError where the lens or the window would stand in the vial.
        """
        layers = MATCHED if vial is None or resin is None else RoundVial.of(vial, resin)
        distance = self.distance_of(columns, pixel_mm)
        self._check(distance, layers)
        aimed = (torch.arange(-1, columns + 1, dtype=torch.float64) - (columns - 1) / 2) * pixel_mm + axis_offset_mm
        pupil = axis_offset_mm + self.lens_offset_mm
        rays = self._rays(aimed, pupil, distance, layers)
        across = ((torch.arange(ACROSS, dtype=torch.float64) + 0.5) / ACROSS - 0.5) * pixel_mm
        within = self._rays(aimed[1:-1, None] + across, pupil, distance, layers)
        spacing = (rays.offset_mm[2:] - rays.offset_mm[:-2]) / 2
        kept = self._transmittance(within, layers).mean(1) * pixel_mm / spacing
        before, after = ((float(rays.offset_mm[end]), float(rays.deflection_rad[end])) for end in (0, -1))
        spread = Magnification(rays.at_foot[1:-1], rays.per_mm[1:-1], self.lens_height_mm)
        offset, turned = rays.offset_mm[1:-1], rays.deflection_rad[1:-1]
        return Chords(
            angle_rad, offset, turned, kept, rows, pixel_mm, before, after, crossing=True, magnification=spread
        )

    def _check(self, distance: float, layers: RoundVial) -> None:
        outer = 0.0 if layers is MATCHED else layers.outer_mm
        if not distance > outer:
            raise JobError(
                f"the lens is {distance:.6g} mm from the turning axis, inside the vial, which reaches {outer:.6g} mm; "
                "expected distance_mm, or throw_ratio times the width of the picture, beyond the vial."
            )
        if self.window_mm is not None and not outer <= self.window_mm < distance:
            raise JobError(
                f"window_mm is {self.window_mm:.6g}; expected the distance from the axis to the flat side of the "
                f"bath, between the vial's outside at {outer:.6g} mm and the lens at {distance:.6g} mm."
            )

    def _rays(self, aimed: Tensor, pupil: float, distance: float, layers: RoundVial) -> Rays:
        """aimed   places s in the plane of the axis, any shape"""
        tan = (aimed - pupil) / distance
        cos = (1 + tan.square()).rsqrt()
        sin, length = tan * cos, distance / cos  # of the whole way to the plane of the axis, without vial and bath
        first, from_s, from_t, index = torch.zeros_like(tan), pupil, -distance, layers.outside
        sin_in = sin
        if self.window_mm is not None:
            first, from_s, from_t = (
                (distance - self.window_mm) / cos,
                pupil + (distance - self.window_mm) * tan,
                -self.window_mm,
            )
            sin, index = sin / layers.outside, 1.0
            cos = (1 - sin.square()).sqrt()
        outside = from_s * cos - from_t * sin
        to_foot = -(from_s * sin + from_t * cos)  # from the window or the lens to where the ray would pass the axis
        offset = outside * layers.narrowing
        deflection = layers.deflection_rad(outside) - sin.asin() if not layers.matched else -sin.asin()
        path = first + layers.seen_to_foot(to_foot, outside) * index
        return Rays(outside, offset, deflection, path / length, index / layers.resin / length, sin_in)

    def _transmittance(self, rays: Rays, layers: RoundVial) -> Tensor:
        """Share of the power that reaches the resin through window and vial, in each polarisation or their mean."""
        both: list[Tensor] = []
        for polarisation in (
            ("along_axis", "across_axis") if self.polarisation == "unpolarised" else (self.polarisation,)
        ):
            kept = torch.ones_like(rays.outside_mm)
            if self.window_mm is not None:
                kept = plane_transmittance(rays.sin_in, layers.outside, polarisation)
            both.append(kept if layers.matched else kept * layers.transmittance(rays.outside_mm, polarisation))
        return torch.stack(both).mean(0)
