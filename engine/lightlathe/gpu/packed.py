"""A volume as the dose kernel in CUDA gathers from it: in halves, in two orders, scaled by a power of two.

A loss that leaves its gradient in this form spares the card a gradient in float32, a search for its largest number and
a pass that rounds it: packed_triton.py has the store for that.
"""

from dataclasses import dataclass, replace

import torch
from torch import Tensor


@dataclass(frozen=True)
class LaidOut:
    """Workspace for an (x, y, slice) volume, or the volume.

    by_x           (y, slice // 8, x * 8 + slice % 8) float16; zeros beyond the last slice
    by_y           (x, slice // 8, y * 8 + slice % 8) float16, the same numbers
    most           0-d float32 that no number of the volume exceeds in modulus: the power of two that brings it to
                   2^13..2^14 is the scale. Rounding may exceed it (up to 4 times fits), and it may be larger than the
                   largest: halves have all their digits down to 2^-28 of it
    slices         how many there are
    circle         zeros where (2x - nx + 1)^2 + (2y - ny + 1)^2 is more: outside the vial
    dose_at_most   no dose exceeds it, in the units of the operator that it was made for
    """

    by_x: Tensor
    by_y: Tensor
    most: Tensor
    slices: int
    circle: int
    dose_at_most: float

    @staticmethod
    def empty(shape: tuple[int, int, int], circle: int, device: torch.device, dose_at_most: float) -> "LaidOut":
        nx, ny, slices = shape
        octets = -(-slices // 8)
        by_x = torch.empty(ny, octets, 8 * nx, device=device, dtype=torch.float16)
        by_y = torch.empty(nx, octets, 8 * ny, device=device, dtype=torch.float16)
        return LaidOut(by_x, by_y, torch.empty((), device=device), slices, circle, dose_at_most)

    def filled(self, most: Tensor) -> "LaidOut":
        return replace(self, most=most.to(torch.float32))

    @property
    def shape(self) -> tuple[int, int, int]:
        return len(self.by_y), len(self.by_x), self.slices
