"""What the check needs to know of a part's voxels."""

from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import PartError
from lightlathe.quantities import LIQUID, SOLID, Part

LOOKS = 8  # slices looked at: evenly spread, and the fullest


def extent_of(part: Part) -> dict[str, Any]:
    """The fields of `Case` that come from the part: radius, height, volume, slices, surroundings.

    Voxels count to their outer edges. Raises PartError if no voxel must turn solid.
    """
    solid = part.judged == SOLID
    used = solid.any(0).any(0).nonzero().flatten()
    if not len(used):
        raise PartError(
            "no voxel must turn solid; expected a part. Is it thinner than the voxels, or outside the vial?"
        )
    voxel = part.grid.voxel_mm
    return {
        "part_radius_mm": float(part.grid.radius_mm()[solid.any(2).cpu()].max()) + voxel / 2,
        "part_height_mm": float(used[-1] - used[0] + 1) * voxel,
        "part_volume_mm3": part.volume_mm3,
        "surrounded": bool((part.judged == LIQUID).any()),
        "slices": solid[:, :, looks_of(solid)].cpu(),
    }


def looks_of(solid: Tensor) -> Tensor:
    """Numbers of the slices of a solid (x, y, z) that are worth a look."""
    per_slice = solid.sum((0, 1))
    used = per_slice.nonzero().flatten()
    spread = torch.linspace(0, len(used) - 1, min(LOOKS, len(used))).round().long().to(used.device)
    return torch.cat([used[spread], per_slice.argmax().reshape(1)]).unique()
