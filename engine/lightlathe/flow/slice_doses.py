"""The doses of a design, slice by slice: their extremes, and the whole dose of a few slices when it is asked for."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import torch
from torch import Tensor

from lightlathe.dose import DoseOperator, Turning
from lightlathe.families.linear_map import doses
from lightlathe.flow.prepare import Setup
from lightlathe.quantities import LIQUID, SOLID, Light, at_hand, unpacked_from


@dataclass(frozen=True)
class SliceDoses:
    """In any one unit.

    min_inside, max_outside   (slice,) least dose in the part, inf without one; most outside it, -inf without an outside
    of                        (x, y, slice) dose of some slices, by their numbers
    """

    min_inside: Tensor
    max_outside: Tensor
    of: Callable[[Tensor], Tensor]

    @staticmethod
    def held(dose: Tensor, judged: Tensor) -> "SliceDoses":
        """Of a dose (x, y, z) that lies in memory."""
        least, most = _extremes(dose, judged.to(dose.device))
        return SliceDoses(least, most, lambda index: dose[:, :, index])

    @staticmethod
    def lit(setup: Setup, patterns: Light, gain: float) -> "SliceDoses":
        """Of patterns (angle, column, row), in the stage's motion; held whole only where all slices fit the device."""
        turning = setup.turning.scaled(gain)
        if setup.slabs.dose is None:
            return SliceDoses.held(turning(patterns.to(setup.device)), unpacked_from(setup.part.judged))
        judged = at_hand(setup.part.judged, setup.device)
        found = [
            tuple(extreme.cpu() for extreme in _extremes(dose, judged[:, :, taken].to(dose.device)))
            for taken, dose in doses(turning, patterns, setup.slabs.dose)
        ]
        least, most = (torch.cat(each) for each in zip(*found, strict=True))
        return SliceDoses(least, most, lambda index: _of_some(turning, patterns, index))


def _extremes(dose: Tensor, judged: Tensor) -> tuple[Tensor, Tensor]:
    least = torch.where(judged == SOLID, dose, math.inf).amin((0, 1))
    return least, torch.where(judged == LIQUID, dose, -math.inf).amax((0, 1))


def _of_some(turning: DoseOperator | Turning, patterns: Light, index: Tensor) -> Tensor:
    """One slab for each run of slices that follow each other."""
    places, found = index.tolist(), []
    cuts = [0, *(n for n in range(1, len(places)) if places[n] != places[n - 1] + 1), len(places)]
    for first, end in pairwise(cuts):
        rows, slab = turning.slab(places[first], places[end - 1] + 1).of_its_rows()
        found.append(slab(patterns[:, :, rows].to(slab.device).contiguous()))
    return torch.cat(found, 2)
