"""Level faces at the ends of a part."""

import dataclasses

import numpy as np
import pytest
from bodies import box

from lightlathe.part import SHAPES, level_ends, surface_from_triangles


def test_shapes_with_and_without_level_ends():
    assert level_ends([SHAPES["cylinder"](2.0, 1.0, (0.0, 0.0, 0.25))]) == (-0.25, 0.75)
    assert level_ends([SHAPES["tube"](2.0, 1.5, 3.0)]) == (-1.5, 1.5)
    assert level_ends([SHAPES["sphere"](2.0)]) is None


def test_parts_count_together():
    """A ball on a plate ends in a point; a plate on a ball hides that."""
    plate, ball = SHAPES["box"](4.0, 4.0, 1.0), SHAPES["sphere"](1.0, (0.0, 0.0, 1.0))
    assert level_ends([plate, ball]) is None
    cap = dataclasses.replace(plate, at_mm=(0.0, 0.0, 2.0))
    assert level_ends([plate, ball, cap]) == (-0.5, 2.5)


def test_a_mesh_that_is_turned_has_none():
    body = box((0, 0, 0), (2, 5, 3))
    assert level_ends([body]) == (0.0, 3.0)
    tilted = np.array(body.vertices_mm[body.faces])
    tilted[:, :, 2] += 0.1 * tilted[:, :, 0]
    assert level_ends([surface_from_triangles(tilted, "tilted")]) is None


@pytest.mark.parametrize(("side", "found"), [(1.2, True), (0.8, False)])
def test_a_small_face_is_no_end(side, found):
    """A peg of side x side on a plate of 5 x 5: 5 % of it are 1.12 x 1.12."""
    peg = SHAPES["box"](side, side, 1.0, (0.0, 0.0, 1.0))
    assert (level_ends([SHAPES["box"](5.0, 5.0, 1.0), peg]) is not None) == found
