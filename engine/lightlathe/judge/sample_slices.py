"""A sample of a part's slices, where checking all of them would take too long."""

import torch
from torch import Tensor

from lightlathe.quantities import Where, slices_of

MAX_SLICES = 8  # evenly spread; the fullest is added


def sample_slices(solid: Tensor | Where) -> Tensor:
    """Indices of up to MAX_SLICES + 1 slices of a solid (x, y, z): evenly spread, and the fullest."""
    per_slice = torch.cat([piece.sum((0, 1)) for _, (piece,) in slices_of(solid)])
    used = per_slice.nonzero().flatten()
    spread = torch.linspace(0, len(used) - 1, min(MAX_SLICES, len(used))).round().long().to(used.device)
    return torch.cat([used[spread], per_slice.argmax().reshape(1)]).unique()
