"""Units and input of the counters of covered fractions; coverage.py has the rule."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ONE = 1 << 40  # a full voxel, in the whole numbers that are summed
STEP = 1 << 20  # covered fractions are multiples of 1 / STEP
LINES = 16  # lines a voxel
# In-voxel positions of the lines, in 32nds of a voxel: 16 unlike values in x and in y, one in every 4 x 4 cell
# (the Hammersley set: i, and i with its four bits reversed).
LINE_X = tuple(2 * i + 1 for i in range(LINES))
LINE_Y = tuple(2 * int(f"{i:04b}"[::-1], 2) + 1 for i in range(LINES))


@dataclass(frozen=True)
class Count:
    """A surface in voxel units, as input of the counters: voxel (i, j, k) spans i..i+1, j..j+1, k..k+1.

    corners   (f, 3, 3) float64: facets, the caps of an open mesh included
    whole     (f, 3, 2) int64: x and y of the same corners, in steps of 2^-shift voxel
    caps      (l, 3, 3) float64: the caps alone, empty for a closed mesh
    holes     (h, 5) float64: middle, radius and area of each hole's cap
    """

    shape: tuple[int, int, int]
    corners: NDArray[np.float64]
    whole: NDArray[np.int64]
    shift: int
    caps: NDArray[np.float64]
    holes: NDArray[np.float64]
