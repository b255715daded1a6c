"""Which slices of a part are worth a look where looking at all of them would take too long."""

import torch
from torch import Tensor

LOOKS = 8  # slices looked at: evenly spread, and the fullest


def looks_of(solid: Tensor) -> Tensor:
    """Numbers of the slices of a solid (x, y, z) that are worth a look."""
    per_slice = solid.sum((0, 1))
    used = per_slice.nonzero().flatten()
    spread = torch.linspace(0, len(used) - 1, min(LOOKS, len(used))).round().long().to(used.device)
    return torch.cat([used[spread], per_slice.argmax().reshape(1)]).unique()
