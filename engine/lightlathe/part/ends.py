"""The flat horizontal faces at the bottom and top of a part."""

from collections.abc import Sequence

import numpy as np

from lightlathe.families import Shape
from lightlathe.part.surface import Surface

LEVEL = 1e-4  # of the part's height: facets no further from an end lie in it
MAIN = 0.05  # of the area of the part's box, seen along the axis: smaller faces do not count


def level_ends(solids: Sequence[Surface | Shape]) -> tuple[float, float] | None:
    """z in mm of the level faces at the bottom and the top of all solids together; None unless both ends have one."""
    bounds = np.stack([solid.bounds_mm for solid in solids])
    low, high = bounds[:, 0].min(0), bounds[:, 1].max(0)
    box, near = float((high[0] - low[0]) * (high[1] - low[1])), LEVEL * float(high[2] - low[2])
    for end in (low[2], high[2]):
        if sum(_area_at(solid, float(end), near) for solid in solids) < MAIN * box:
            return None
    return float(low[2]), float(high[2])


def _area_at(solid: Surface | Shape, z_mm: float, near_mm: float) -> float:
    """Area of the facets that lie in a level plane; only those near it are copied."""
    if isinstance(solid, Surface):
        level = np.abs(solid.vertices_mm[:, 2] - z_mm) <= near_mm
        facets = solid.vertices_mm[solid.faces[level[solid.faces].all(1)]]
    else:
        facets = solid.triangles()
        facets = facets[(np.abs(facets[:, :, 2] - z_mm) <= near_mm).all(1)]
    sides = facets[:, 1:, :2] - facets[:, :1, :2]
    return float(np.abs(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0]).sum() / 2)
