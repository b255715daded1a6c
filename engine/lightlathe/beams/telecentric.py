"""Parallel light into a vial: straight where bath, wall and resin share one refractive index, else refracted."""

import math
from dataclasses import dataclass

import torch

from lightlathe.beams.round_vial import Polarisation, RoundVial
from lightlathe.families import Resin, VialSize
from lightlathe.quantities import Chords

ACROSS = 32  # places across a pixel at which the light that enters is looked at: it ends steeply at grazing incidence


@dataclass(frozen=True)
class Telecentric:
    """Parallel rays across the axis. In a matched bath column s is the chord at offset s, and nothing is lost.

    Into a bare vial, or a bath of another index, rays are refracted at both surfaces of the wall: see round_vial.py.

    polarisation   "unpolarised", "along_axis" or "across_axis": where the electric field points, for the reflections
                   at the vial
    """

    polarisation: Polarisation = "unpolarised"

    def chords(
        self,
        *,
        angle_rad: torch.Tensor,
        columns: int,
        rows: int,
        pixel_mm: float,
        axis_offset_mm: float = 0.0,
        vial: VialSize | None = None,
        resin: Resin | None = None,
    ) -> Chords:
        """Chords of a projector with square pixels of `pixel_mm`, as they would be where the vial stands without it.

        axis_offset_mm   how far across the light the projector's middle column misses the turning axis, outside
        vial, resin      of the job; a matched bath where either is left out

        Transmittance is the share of the pixel's light that enters, a mean over its width, times the concentration:
        chords lie closer than the columns outside. Columns that miss the resin, or are totally reflected, carry none.
        """
        offset = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * pixel_mm + axis_offset_mm
        layers = None if vial is None or resin is None else RoundVial.of(vial, resin)
        if layers is None or layers.matched:
            return Chords(angle_rad, offset, torch.zeros_like(offset), torch.ones_like(offset), rows, pixel_mm)
        across = ((torch.arange(ACROSS, dtype=torch.float64) + 0.5) / ACROSS - 0.5) * pixel_mm
        kept = layers.transmittance(offset[:, None] + across, self.polarisation).mean(1) / layers.narrowing
        turned = layers.deflection_rad(offset)
        return Chords(angle_rad, offset * layers.narrowing, turned, kept, rows, pixel_mm, crossing=True)


def full_turn(angles: int, first_rad: float = 0.0) -> torch.Tensor:
    """(angle,) float64: `angles` evenly spaced scan angles; the end of the turn is the next turn's start."""
    return first_rad + torch.arange(angles, dtype=torch.float64) * (2 * math.pi / angles)
