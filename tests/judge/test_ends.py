"""Flat ends midway between two rows of pixels, by hand."""

import pytest
import torch

from lightlathe.judge.ends import ends_are_to_blame, move_onto_rows
from lightlathe.quantities import LIQUID, SOLID, FineShape, Grid

PIXEL = 0.2


def block():
    """A block from -0.4 to 0.4 mm in z on voxels of a quarter of a pixel, and a print of it without its end layers."""
    grid = Grid((6, 6, 40), PIXEL / 4)
    judged = torch.full(grid.shape, LIQUID, dtype=torch.uint8)
    judged[1:5, 1:5, 12:28] = SOLID
    printed = judged == SOLID
    printed[:, :, 12:14] = printed[:, :, 26:28] = False
    return printed, FineShape(grid, judged)


def test_half_a_row_short_at_the_ends():
    printed, fine = block()
    assert ends_are_to_blame(printed, fine, PIXEL)


def test_what_is_wrong_elsewhere_is_not_laid_to_the_ends():
    _, fine = block()
    printed = fine.judged == SOLID
    printed[1, 1, :] = False  # an edge all along the part
    assert not ends_are_to_blame(printed, fine, PIXEL)
    assert not ends_are_to_blame(fine.judged == SOLID, fine, PIXEL)  # nothing is wrong


def test_the_move_that_lays_both_ends_onto_rows():
    """Rows of 0.2 mm: at -0.7 ... 0.7 mm where they are 8, at -0.8 ... 0.8 where 9."""
    assert move_onto_rows((-0.4, 0.4), 2.0, PIXEL, 8, 5.0, PIXEL) == pytest.approx(0.1)
    assert move_onto_rows((-0.4, 0.4), 2.0, PIXEL, 8, 5.0, PIXEL / 4) == pytest.approx(0.1)
    assert move_onto_rows((-0.2, 0.6), 2.0, PIXEL, 8, 5.0, PIXEL) == pytest.approx(0.1)
    assert move_onto_rows((-0.6, 0.6), 2.0, PIXEL, 8, 5.0, PIXEL) == pytest.approx(0.1)
    assert move_onto_rows((-0.4, 0.8), 2.0, PIXEL, 8, 5.0, PIXEL) == pytest.approx(-0.1)  # no room further up
    assert move_onto_rows((-0.8, 0.8), 2.0, PIXEL, 8, 5.0, PIXEL) is None  # no room at all
    assert move_onto_rows((-0.4, 0.4), 2.0, PIXEL, 8, 0.85, PIXEL) is None  # nor in so little resin
    assert move_onto_rows((-0.4, 0.4), 2.0, PIXEL, 9, 5.0, PIXEL) is None  # they lie on rows
    assert move_onto_rows((-0.4, 0.5), 2.0, PIXEL, 8, 5.0, PIXEL) is None  # one end only: a move takes it to the other
    assert move_onto_rows((-0.4, 0.4), 2.0, PIXEL, 8, 5.0, 1.5 * PIXEL) is None  # voxels would be cut
    assert move_onto_rows((-0.4, 0.4), 1.1, PIXEL, 8, 5.0, PIXEL) is None  # 11 voxels across


@pytest.mark.parametrize(
    ("past", "moves"),
    [(-0.3, False), (-0.05, False), (-1e-7, True), (0, True), (0.1, True), (0.4, True), (0.47, False)],
)
def test_ends_short_of_the_middle_between_rows_stay(past, moves):
    """Half a row further both would end in voxels less than half covered, which stay liquid: measured in judge/ends.py.
    Meshes in float32 are off by 1e-7."""
    reach = (2 + past) * PIXEL
    move = move_onto_rows((-reach, reach), 2.0, PIXEL, 8, 5.0, PIXEL)
    assert (move == pytest.approx(0.1)) if moves else (move is None)
