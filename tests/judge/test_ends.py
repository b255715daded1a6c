"""Flat ends midway between two rows of pixels, by hand."""

import torch

from lightlathe.judge.ends import ends_between_rows
from lightlathe.quantities import LIQUID, SOLID, FineShape, Grid

ROWS, PIXEL = 8, 0.2  # rows at -0.7, ..., -0.1, 0.1, ..., 0.7 mm


def block():
    """A block from -0.4 to 0.4 mm in z on voxels of a quarter of a pixel, and a print of it without its end layers."""
    grid = Grid((6, 6, 40), PIXEL / 4)
    judged = torch.full(grid.shape, LIQUID, dtype=torch.uint8)
    judged[1:5, 1:5, 12:28] = SOLID
    printed = judged == SOLID
    printed[:, :, 12:14] = printed[:, :, 26:28] = False
    return printed, FineShape(grid, judged)


def test_half_a_row_short_at_ends_midway_between_rows():
    printed, fine = block()
    assert ends_between_rows(printed, fine, (-0.4, 0.4), PIXEL, ROWS)
    assert not ends_between_rows(printed, fine, (-0.4, 0.4), PIXEL, ROWS + 1)  # rows at -0.4 and 0.4: on the ends
    assert not ends_between_rows(printed, fine, (-0.4, 0.5), PIXEL, ROWS)  # one end only: a shift moves it to the other


def test_what_is_wrong_elsewhere_is_not_laid_to_the_ends():
    _, fine = block()
    printed = fine.judged == SOLID
    printed[1, 1, :] = False  # an edge all along the part
    assert not ends_between_rows(printed, fine, (-0.4, 0.4), PIXEL, ROWS)
    assert not ends_between_rows(fine.judged == SOLID, fine, (-0.4, 0.4), PIXEL, ROWS)  # nothing is wrong
