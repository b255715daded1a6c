"""Parallel light into a vial whose bath, wall and resin share one refractive index."""

import math
from dataclasses import dataclass

import torch

from lightlathe.families import Resin, VialSize
from lightlathe.quantities import Chords


@dataclass(frozen=True)
class Telecentric:
    """Straight parallel rays, nothing lost on the way: column s is the chord at offset s.

    Good for a telecentric projector and a bath within about 0.005 of the resin's index; a mismatch of 0.02 turns
    rays near the wall by a degree.
    """

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
        """Chords of a projector with square pixels of `pixel_mm` in the vial.

        axis_offset_mm   how far across the light the projector's middle column misses the turning axis
        vial, resin      of the job; index-matched to the bath: no refraction
        """
        offset = (torch.arange(columns, dtype=torch.float64) - (columns - 1) / 2) * pixel_mm + axis_offset_mm
        return Chords(angle_rad, offset, torch.zeros_like(offset), torch.ones_like(offset), rows, pixel_mm)


def full_turn(angles: int, first_rad: float = 0.0) -> torch.Tensor:
    """(angle,) float64: `angles` evenly spaced scan angles; the end of the turn is the next turn's start."""
    return first_rad + torch.arange(angles, dtype=torch.float64) * (2 * math.pi / angles)
