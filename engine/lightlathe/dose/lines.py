"""Detector bins on general chords: deflected before the resin, or unevenly spaced."""

import math
from dataclasses import dataclass
from functools import cached_property

import torch
from torch import Tensor

from lightlathe.errors import ShapeError


@dataclass(frozen=True)
class Lines:
    """The chord of each bin in the lab frame, the same at every scan angle: s cos(turn) + t sin(turn) = offset.

    Between two chords light is interpolated by the distances to both, and so is the turn. A dark chord lies beyond
    each outermost one: a given one, or parallel to it, as far away as its neighbour's offset.

    offset_mm   (bin,) float64, growing, at least two
    deflection_rad    (bin,) float64
    dark_before, dark_after   (offset mm, deflection rad) of the dark chords, None where none is given
    """

    offset_mm: Tensor
    deflection_rad: Tensor
    dark_before: tuple[float, float] | None = None
    dark_after: tuple[float, float] | None = None

    @cached_property
    def with_dark(self) -> tuple[Tensor, Tensor]:
        """Offset and turn of every chord and of the dark one beyond each end, (bins + 2,) each."""
        s, turn = self.offset_mm, self.deflection_rad
        before, after = (2 * s[:1] - s[1:2], turn[:1]), (2 * s[-1:] - s[-2:-1], turn[-1:])
        if self.dark_before is not None:
            before = s.new_tensor(self.dark_before).split(1)
        if self.dark_after is not None:
            after = s.new_tensor(self.dark_after).split(1)
        return torch.cat([before[0], s, after[0]]), torch.cat([before[1], turn, after[1]])

    def narrowest_mm(self, radius_mm: float) -> float:
        """Minimum distance of two neighbouring chords anywhere in the vial; 0 only where two meet."""
        s, turn = self.with_dark
        half = (radius_mm**2 - s.square()).clamp(min=0).sqrt()
        seen = s.abs() < radius_mm
        distances = [s.diff()]  # that of two chords which both miss the vial bounds nothing
        for one, other in ((slice(None, -1), slice(1, None)), (slice(1, None), slice(None, -1))):
            bend = turn[one] - turn[other]
            for end in (-half, half):  # an end of chord `one` seen from the other; linear between, so ends are extreme
                away = s[one] * bend.cos() - end[one] * bend.sin() - s[other]
                distances.append(torch.where(seen[one], away.abs(), torch.inf))
        return float(torch.stack(distances).amin())

    def require_apart(self, radius_mm: float) -> None:
        """ShapeError where neighbouring chords meet inside the vial: a place there would belong to more than one."""
        s, turn = self.with_dark
        low, high, bend = s[:-1], s[1:], turn.diff()
        c, n = bend.cos(), bend.sin()
        place = (  # where the two cross; parallel chords do nowhere
            (low * turn[1:].sin() - high * turn[:-1].sin()) / n,
            (high * turn[:-1].cos() - low * turn[1:].cos()) / n,
        )
        wrong = (n != 0) & (place[0].square() + place[1].square() < radius_mm**2)
        # where they do not cross, the middle of each must lie on its own side of the other
        wrong |= ((high.abs() < radius_mm) & (high * c < low)) | ((low.abs() < radius_mm) & (low * c > high))
        wrong |= bend.abs() >= math.pi / 2
        if bool(wrong.any()):
            j = int(wrong.to(torch.int8).argmax())
            raise ShapeError(
                f"the chords of columns {j - 1} and {j}, turned by {math.degrees(float(turn[j])):.4g} and "
                f"{math.degrees(float(turn[j + 1])):.4g} degrees, cross at s = {float(place[0][j]):.4g} mm, "
                f"t = {float(place[1][j]):.4g} mm; expected no chords that cross within the vial's {radius_mm:g} mm.\n"
                "  Light that comes to a focus inside the vial cannot be computed. Is deflection_rad in rad?"
            )
