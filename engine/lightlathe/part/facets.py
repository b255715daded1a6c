"""The output of a mesh reader."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Facets:
    """What a reader hands back: triangles (n, 3, 3) float64 in the file's numbers, the unit if the file says it."""

    triangles: NDArray[np.float64]
    unit: str | None = None
    warnings: Sequence[str] = field(default_factory=tuple)
    files: Mapping[str, str] = field(default_factory=dict)  # SHA-256 of further files that were read, by name
