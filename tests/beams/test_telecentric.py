"""Parallel light into a matched bath: chords are the columns."""

import math

import pytest
import torch

from lightlathe.beams import BEAMS, Telecentric
from lightlathe.beams.telecentric import full_turn
from lightlathe.errors import ShapeError


@pytest.mark.parametrize(("columns", "first"), [(4, -0.75), (5, -1.0), (1, 0.0)])
def test_columns_are_chords(columns, first):
    """Column j at (j - (columns - 1) / 2) pixels; nothing turned, nothing lost."""
    chords = Telecentric().chords(angle_rad=full_turn(8), columns=columns, rows=3, pixel_mm=0.5)
    assert chords.pattern_shape == (8, columns, 3)
    assert float(chords.offset_mm[0]) == first
    assert float(chords.offset_mm.sum()) == 0
    assert chords.row_mm == 0.5
    assert not chords.deflection_rad.any()
    assert bool((chords.transmittance == 1).all())


def test_an_axis_that_is_off_shifts_every_chord():
    settings = {"angle_rad": full_turn(8), "columns": 4, "rows": 3, "pixel_mm": 0.5}
    shifted = Telecentric().chords(**settings, axis_offset_mm=-0.3)
    torch.testing.assert_close(shifted.offset_mm, Telecentric().chords(**settings).offset_mm - 0.3)
    assert not shifted.deflection_rad.any()


def test_it_is_in_the_table():
    assert BEAMS["telecentric"] is Telecentric


def test_angles_by_hand():
    torch.testing.assert_close(
        full_turn(4, 0.1),
        torch.tensor([0.1, 0.1 + math.pi / 2, 0.1 + math.pi, 0.1 + 1.5 * math.pi], dtype=torch.float64),
    )


@pytest.mark.parametrize("wrong", [{"rows": 0}, {"pixel_mm": 0.0}, {"angle_rad": torch.zeros(0)}])
def test_impossible_patterns_are_refused(wrong):
    settings = {"angle_rad": full_turn(8), "columns": 4, "rows": 3, "pixel_mm": 0.5, **wrong}
    with pytest.raises(ShapeError, match="expected"):
        Telecentric().chords(**settings)
