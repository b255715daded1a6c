"""Chords of the lit columns and rows alone give the dose that the whole field gives with all other pixels dark.

Nothing here was designed; float64, so 1e-12 is some thousand roundings of sums of some tens of numbers.
"""

from dataclasses import replace

import pytest
import torch

from lightlathe.beams.telecentric import Telecentric, full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Field, Grid, Optics
from operators import random

GRID = Grid((13, 12, 5), 0.5)
EPS = 1e-12


def telecentric(columns, rows, offset=0.0) -> Chords:
    return Telecentric().chords(
        angle_rad=full_turn(9, 0.1), columns=columns, rows=rows, pixel_mm=0.3, axis_offset_mm=offset
    )


def uneven(columns, rows, offset=0.0) -> Chords:
    """Spread and dimmed towards the rim, parallel."""
    chords = telecentric(columns, rows, offset)
    s = chords.offset_mm
    return replace(chords, offset_mm=s + 0.02 * s**3, transmittance=1 - 0.05 * s.abs())


def fan(columns, rows, offset=0.0) -> Chords:
    """From a point 40 mm before the axis."""
    chords = telecentric(columns, rows, offset)
    angle = torch.atan(chords.offset_mm / 40)
    return replace(chords, offset_mm=40 * torch.sin(angle), deflection_rad=-angle)


def even_within(columns, rows, offset=0.0) -> Chords:
    """Even where it is lit; the first dark columns lie wider apart."""
    chords = telecentric(columns, rows, offset)
    s = chords.offset_mm
    return replace(chords, offset_mm=s + 0.1 * s.sign() * (s.abs() > 2.0))


def light(chords: Chords, kernel: str) -> DoseOperator:
    return DoseOperator(Optics(chords, 3.0, 0.2), GRID, Backend(kernel, dtype=torch.float64))


@pytest.mark.parametrize("kernel", ["reference", "cpu"])
@pytest.mark.parametrize("beam", [telecentric, uneven, fan, even_within], ids=lambda beam: beam.__name__)
@pytest.mark.parametrize(("columns", "first", "lit"), [(24, 5, 14), (25, 5, 15), (24, 0, 11), (25, 9, 16), (24, 11, 2)])
@pytest.mark.parametrize("offset", [0.0, 0.07, -0.2])
def test_the_lit_part_of_a_field_is_the_whole_of_it(kernel, beam, columns, first, lit, offset):
    rows, lit_rows = (11, 5) if columns % 2 else (12, 6)
    chords, field = beam(columns, rows, offset), Field(columns, rows, first, lit, lit_rows)
    whole, window = light(chords, kernel), light(chords.lit(field), kernel)
    levels = random((9, lit, lit_rows))
    native = torch.zeros(whole.pattern_shape, dtype=torch.float64)
    native[:, *field.lit] = levels
    wanted = whole(native)
    assert wanted.count_nonzero() > 100
    torch.testing.assert_close(window(levels), wanted, rtol=0, atol=EPS)
    dose = random(GRID.shape)
    torch.testing.assert_close(window.transpose(dose), whole.transpose(dose)[:, *field.lit], rtol=0, atol=EPS)


def test_a_dark_chord_beyond_the_end_makes_the_difference():
    """Without it the last lit column would spread to where its own spacing says, not to its dark neighbour."""
    chords, field = fan(24, 11), Field(24, 11, 5, 14, 11)
    window, levels = chords.lit(field), torch.ones(9, 14, 11, dtype=torch.float64)
    apart = light(window, "cpu")(levels) - light(replace(window, dark_before=None, dark_after=None), "cpu")(levels)
    assert float(apart.abs().max()) > 1e-6


def test_windows_in_a_window_keep_the_outer_dark_chords():
    chords = fan(24, 11)
    once = chords.lit(Field(24, 11, 4, 12, 5))
    assert once.lit(Field.whole(12, 5)) is once
    twice = once.lit(Field(12, 5, 0, 8, 3))
    straight = chords.lit(Field(24, 11, 4, 8, 3))
    assert (twice.dark_before, twice.dark_after) == (straight.dark_before, straight.dark_after)
    with pytest.raises(ShapeError, match=r"24 columns and 11 rows; expected those of the field, 23 x 11"):
        chords.lit(Field.whole(23, 11))


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ((20, 10, 15, 6, 4), "inside the field"),
        ((20, 10, -1, 6, 4), "inside the field"),
        ((20, 10, 0, 0, 4), "one or more of each"),
        ((20, 10, 0, 6, 12), "inside the field"),
        ((20, 10, 0, 6, 5), "an even number of dark rows"),
    ],
)
def test_impossible_fields_are_refused(numbers, words):
    with pytest.raises(ShapeError, match=words):
        Field(*numbers)


def test_the_lit_pixels_lie_where_the_field_says():
    field = Field(7, 5, 2, 3, 1)
    image = field.padded(torch.tensor([[1], [2], [3]]).numpy(), dark=9)
    assert image.tolist() == [[9] * 5] * 2 + [[9, 9, n, 9, 9] for n in (1, 2, 3)] + [[9] * 5] * 2
    assert field.middle == (1.0, 0.0)  # the middle of 7 columns is column 3, the second of the lit ones
    with pytest.raises(ShapeError, match=r"shape \(3, 2\); expected \(3, 1\)"):
        field.padded(torch.zeros(3, 2).numpy())
