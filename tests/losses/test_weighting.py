"""Weights of voxels: by class and by how much of the voxel the part covers."""

import pytest
import torch

from lightlathe.errors import JobError, ShapeError
from lightlathe.losses import weighted
from lightlathe.quantities import Target

COVERAGE = torch.tensor([1.0, 0.75, 0.5, 0.25, 0.0]).reshape(5, 1, 1)
TARGET = Target(COVERAGE >= 0.5, COVERAGE < 0.5)


def test_by_coverage():
    """A voxel of coverage c is wrong by c when liquid, by 1 - c when solid: the difference is |2 c - 1|."""
    found = weighted(TARGET, coverage=COVERAGE)
    assert found.weight.flatten().tolist() == pytest.approx([1, 0.5, 0.02, 0.5, 1])
    assert found.solid is TARGET.solid


def test_by_class():
    found = weighted(TARGET, solid=3, liquid=0.5)
    assert found.weight.flatten().tolist() == pytest.approx([3, 3, 3, 0.5, 0.5])


def test_refusals():
    with pytest.raises(JobError, match="above 0"):
        weighted(TARGET, solid=0)
    with pytest.raises(ShapeError, match="coverage has shape"):
        weighted(TARGET, coverage=COVERAGE[:3])
