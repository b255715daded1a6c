"""Which parts have holes that can close: a definition checked line by line, on shapes whose answer is plain."""

import numpy as np
import pytest
import torch

from lightlathe.judge.gaps import has_gaps
from lightlathe.quantities import LIQUID, SOLID

N = 20
X, Y, Z = np.meshgrid(*[np.arange(N) - (N - 1) / 2] * 3, indexing="ij")
BALL = X**2 + Y**2 + Z**2 < 8**2
BLOCK = (abs(X) < 6) & (abs(Y) < 4) & (abs(Z) < 5)
SHAPES = {  # name -> voxels, whether there is a hole or a gap
    "ball": (BALL, False),
    "block": (BLOCK, False),
    "turned block": ((abs(X + Y) < 7) & (abs(X - Y) < 5) & (abs(Z) < 5), False),
    "L": (BLOCK & ~((X > 0) & (Z > 0)), False),
    "block with a bore along z": (BLOCK & (X**2 + Y**2 > 4), True),
    "block with a bore along x": (BLOCK & (Z**2 + Y**2 > 4), True),
    "hollow ball": (BALL & (X**2 + Y**2 + Z**2 > 5**2), True),
    "slot from above": (BLOCK & ~((abs(X) < 1) & (Z > 0)), True),
    "two plates": ((abs(Z) > 3) & (abs(X) < 6) & (abs(Y) < 6) & (abs(Z) < 6), True),
}


def between(solid):
    """A liquid voxel with part on both sides of it in its row, by brute force."""
    for axis in range(3):
        rows = np.moveaxis(solid, axis, -1).reshape(-1, N)
        for row in rows:
            at = np.flatnonzero(row)
            if len(at) and not row[at[0] : at[-1] + 1].all():
                return True
    return False


@pytest.mark.parametrize("name", SHAPES)
def test_holes_and_gaps(name):
    solid, expected = SHAPES[name]
    assert between(solid) == expected  # the table itself
    codes = torch.from_numpy(np.where(solid, SOLID, LIQUID).astype(np.uint8))
    assert has_gaps(codes) == expected


def test_what_is_not_judged_is_no_gap():
    """A rod of an insert through the part: nothing in there can close."""
    solid, _ = SHAPES["block with a bore along z"]
    codes = np.where(solid, SOLID, LIQUID)
    codes[BLOCK & ~solid] = 0
    assert not has_gaps(torch.from_numpy(codes.astype(np.uint8)))
