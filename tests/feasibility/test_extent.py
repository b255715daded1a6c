"""What the check learns from a part's voxels, counted by hand."""

import pytest
import torch

from lightlathe.errors import PartError
from lightlathe.feasibility import Extent
from lightlathe.quantities import LIQUID, SOLID, Grid, Part


def test_by_hand():
    judged = torch.full((6, 6, 5), LIQUID, dtype=torch.uint8)
    judged[5, 2, 1] = SOLID  # centre at (1.25, -0.25) mm in voxels of 0.5
    judged[2:4, 2:4, 2] = SOLID
    found = Extent(1.5, 1.0).seen_as(Part(Grid((6, 6, 5), 0.5), (judged == SOLID).float(), judged))
    assert (found.radius_mm, found.height_mm, found.slice_voxel_mm) == (1.5, 1.0, 0.5)
    assert found.volume_mm3 == pytest.approx(5 * 0.125)
    assert found.surrounded
    assert found.slices.shape == (6, 6, 2)
    assert sorted(found.slices.sum((0, 1)).tolist()) == [1, 4]
    all_solid = torch.full((2, 2, 2), SOLID, dtype=torch.uint8)
    assert not Extent(1.0, 1.0).seen_as(Part(Grid((2, 2, 2), 0.5), torch.ones(2, 2, 2), all_solid)).surrounded


def test_no_part_is_an_error():
    judged = torch.full((4, 4, 4), LIQUID, dtype=torch.uint8)
    with pytest.raises(PartError, match="no voxel must turn solid"):
        Extent(1.0, 1.0).seen_as(Part(Grid((4, 4, 4), 0.5), torch.zeros(4, 4, 4), judged))
