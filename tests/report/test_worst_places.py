"""Where a print is worst: joined voxels, the table, the doses nearest to a wrong outcome."""

import csv

import numpy as np
import pytest
import torch
from block import FINE, GRID, block
from scipy import ndimage

pytest.importorskip("matplotlib")

from lightlathe.report.figures.worst import HEAD, connected, nearest_to_wrong, peeled, worst_places, wrong_voxels
from lightlathe.report.figures.write import write_figures


@pytest.fixture
def scene():
    return block()


def test_joined_voxels_are_those_of_ndimage(scene):
    """Against scipy.ndimage.label, and layers against its erosion."""
    at = wrong_voxels(scene, 2)
    wrong = (scene.print_judged == 2) & ~scene.print_solid
    np.testing.assert_array_equal(at, np.argwhere(wrong))
    ours, theirs = connected(at, FINE.shape), ndimage.label(wrong)[0][wrong]
    assert len(set(zip(ours, theirs, strict=True))) == len(set(ours)) == len(set(theirs)) > 10
    blob = ndimage.binary_dilation(np.random.default_rng(1).random((20, 18, 16)) < 0.01, iterations=3)
    blob[:4, :5] = True
    at, left, layer = np.argwhere(blob), blob, np.zeros(blob.shape, int)
    while left.any():
        layer[left] += 1
        left = ndimage.binary_erosion(left)
    np.testing.assert_array_equal(peeled(at, blob.shape), layer[blob])
    assert layer.max() >= 3


def test_the_worst_place_is_where_it_was_made(scene, tmp_path):
    """A block of 5 x 3 x 7 fine voxels of the part that stay liquid, alone: place, size, depth, dose by hand."""
    import dataclasses

    solid = torch.from_numpy(scene.print_judged == 2)
    solid[10:15, 10:13, 7:14] = False
    made = dataclasses.replace(scene, prediction=dataclasses.replace(scene.prediction, fine_solid=solid))
    ((what, x, y, z, volume, voxels, *size, depth, dose, relative),), total = worst_places(made)
    assert (what, voxels, total) == ("liquid by mistake", 5 * 3 * 7, 1)
    assert volume == pytest.approx(105 * 0.25**3)
    assert size == pytest.approx([1.25, 0.75, 1.75])
    # the deepest voxels are two layers in: those with indices 11 to 13, 11 and 8 to 12
    assert depth == pytest.approx(1.5 * 0.25)
    assert (x / 0.25 + 11.5) in (11, 12, 13)
    assert y / 0.25 + 13.5 == 11
    assert (z / 0.25 + 8.5) in (8, 9, 10, 11, 12)
    expected = 50 + 8 / 11 * (x / 0.5 + 5.5) + 4 / 8 * (z / 0.5 + 4)  # of the fixture, within the block
    assert (dose, relative) == pytest.approx((expected, expected / 45.0), rel=1e-5)
    write_figures(made, tmp_path / "f")
    rows = list(csv.reader((tmp_path / "f" / "worst_places.csv").read_text().splitlines()))
    assert tuple(rows[0]) == HEAD
    assert [row[0] for row in rows[1:]] == ["lowest dose in the part", "highest dose around it", what]


def test_the_doses_nearest_to_wrong(scene):
    rows = {row[0]: row for row in nearest_to_wrong(scene)}
    for name, value, best in (("lowest dose in the part", 2, np.min), ("highest dose around it", 1, np.max)):
        row = rows[name]
        i, j, k = (round(x / 0.5 + (n - 1) / 2) for x, n in zip(row[1:4], GRID.shape, strict=True))
        assert scene.judged[i, j, k] == value
        assert row[-2] == pytest.approx(float(best(scene.dose[scene.judged == value])))
        assert scene.dose[i, j, k] == pytest.approx(row[-2])
