"""Whether a part begins and ends in a level face, and where."""

from collections.abc import Sequence

import numpy as np

from lightlathe.part.surface import Surface
from lightlathe.part.thin import KnowsThinnest

LEVEL = 1e-4  # of the part's height: facets no further from an end lie in it
MAIN = 0.05  # of the area of the part's box, seen along the axis: smaller faces do not count


def level_ends(solids: Sequence[Surface | KnowsThinnest]) -> tuple[float, float] | None:
    """z in mm of the level faces at the bottom and the top of all solids together; None unless both ends have one."""
    bounds = np.stack([solid.bounds_mm for solid in solids])
    low, high = bounds[:, 0].min(0), bounds[:, 1].max(0)
    facets = np.concatenate([s.vertices_mm[s.faces] if isinstance(s, Surface) else s.triangles() for s in solids])
    sides = facets[:, 1:, :2] - facets[:, :1, :2]
    areas = np.abs(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0]) / 2
    box = float((high[0] - low[0]) * (high[1] - low[1]))
    for end in (low[2], high[2]):
        if areas[(np.abs(facets[:, :, 2] - end) <= LEVEL * (high[2] - low[2])).all(1)].sum() < MAIN * box:
            return None
    return float(low[2]), float(high[2])
