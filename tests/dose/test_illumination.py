"""Uneven illumination in the dose operator: a factor on each pixel's light, in the map and in its transpose."""

import dataclasses

import pytest
import torch
from dose_cases import CASES, runnable

from direct import direct_dose
from lightlathe.beams import Telecentric
from lightlathe.beams.telecentric import full_turn
from lightlathe.dose import Backend, Directions, DoseOperator, Turning
from lightlathe.errors import ShapeError
from lightlathe.job.vial import Vial
from lightlathe.quantities import Field, Grid, Optics
from lightlathe.resins import Threshold
from lightlathe.solve import Scenarios
from operators import dense, operator, random

ALLOWED = {torch.float64: 1e-12, torch.float32: 1e-5}  # of |A g| |v|: as in test_transpose.py


def uneven(optics, seed=5):
    """0.2 to 1 over the field, unlike from pixel to pixel, with a dead column and a dead row where there are some."""
    columns, rows = optics.chords.pattern_shape[1:]
    light = 0.2 + 0.8 * torch.rand(columns, rows, generator=torch.Generator().manual_seed(seed)).double()
    if columns > 3:
        light[1] = 0
    if rows > 2:
        light[:, -1] = 0
    return optics.replace(illumination=light)


def lit(a, seed=5):
    return DoseOperator(uneven(a.optics, seed), a.grid, a.backend, gain=a.gain, directions=a.directions)


def bare(kernel="reference", dtype=torch.float64):
    """A bare vial in air: columns differ in direction, and images are sorted into parallel views."""
    vial, resin = Vial(6.0, 10.0, "air", 0.5, 1.48), Threshold(0.1, 35, 37, refractive_index=1.5)
    chords = Telecentric().chords(angle_rad=full_turn(12), columns=13, rows=3, pixel_mm=0.5, vial=vial, resin=resin)
    directions = Directions.even(2, True, 2)
    return DoseOperator(
        Optics(chords, 3.0, 0.1), Grid((9, 8, 3), 0.5), Backend(kernel, dtype=dtype), directions=directions
    )


@pytest.mark.parametrize(
    "case", ["unlike", "pixel finer", "pixel coarser", "off the axis, finer", "bent", "one column"]
)
def test_it_is_the_even_operator_of_light_times_the_factor(case):
    """The whole matrix: that of even light with each column of it times the pixel's factor. Every kernel of a CPU."""
    for kernel in runnable(torch.float64):
        even = operator(**CASES[case], kernel=kernel)
        a = lit(even)
        factor = a.optics.illumination.expand(a.pattern_shape).flatten()
        matrix = dense(a, a.pattern_shape)
        torch.testing.assert_close(matrix, dense(even, even.pattern_shape) * factor, rtol=1e-12, atol=1e-16)
        assert matrix.count_nonzero() > 20
        torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=0, atol=1e-15)


@pytest.mark.parametrize("dtype", ALLOWED)
@pytest.mark.parametrize("case", [*CASES, "bare vial"])
def test_inner_products_agree_with_uneven_light(case, dtype):
    """<A g, v> = <g, A' v>, single and in a batch."""
    for kernel in runnable(dtype):
        a = lit(bare(kernel, dtype) if case == "bare vial" else operator(**CASES[case], kernel=kernel, dtype=dtype))
        g, v = random((2, *a.pattern_shape), dtype, 1), random((2, *a.dose_shape), dtype, 2)
        dose, light = a(g).double(), a.transpose(v).double()
        for one in range(2):
            off = (dose[one] * v[one]).sum() - (g[one] * light[one]).sum()
            assert abs(float(off / (dose[one].norm() * v[one].norm()).clamp(min=1e-12))) < ALLOWED[dtype], kernel
        torch.testing.assert_close(a(g[0]).double(), dose[0], rtol=1e-5, atol=1e-5)


def test_gradients_with_uneven_light():
    a = lit(operator(pixel=0.4, columns=8, rows=3))
    assert torch.autograd.gradcheck(a, random(a.pattern_shape, torch.float64, 3).requires_grad_())
    assert torch.autograd.gradcheck(a.transpose, random(a.dose_shape, torch.float64, 4).requires_grad_())
    b = Turning(lit(bare()), 3, finer=2)
    assert torch.autograd.gradcheck(b, random(b.pattern_shape, torch.float64, 3).requires_grad_())


def test_against_a_direct_sum():
    """tests/direct.py, row by row, with the factor as each row's own share of every column."""
    a = lit(operator((7, 6, 3), 0.5, columns=9, rows=3, angles=5, radius=2.0))
    chords, light = a.optics.chords, a.optics.illumination
    g = torch.rand(a.pattern_shape, generator=torch.Generator().manual_seed(2), dtype=torch.float64)
    dose = a(g)
    for k in range(3):
        by_hand = direct_dose(
            g[..., k], chords.angle_rad, chords.offset_mm, chords.deflection_rad, light[:, k], (7, 6), 0.5, 2.0, 0.4
        )
        torch.testing.assert_close(dose[:, :, k], torch.from_numpy(by_hand), rtol=1e-11, atol=1e-14)
    assert float(dose[:, :, 2].abs().max()) == 0  # the dead row's slice
    assert float(dose[:, :, 0].min()) >= 0


def test_even_illumination_changes_no_bit():
    even = operator(pixel=0.4, columns=8, rows=3)
    ones = DoseOperator(even.optics.replace(illumination=torch.ones(8, 3).double()), even.grid, even.backend)
    g = random(even.pattern_shape)
    assert torch.equal(even(g), ones(g))
    assert ones.resampling.share is None


def test_the_lit_window_keeps_its_own_factors():
    field = Field(9, 6, 2, 5, 4)
    optics = uneven(operator(columns=9, rows=6).optics)
    assert torch.equal(optics.lit(field).illumination, optics.illumination[2:7, 1:5])


def test_slices_take_the_rows_that_light_them():
    """Rows as tall as slices, more of them than slices: row k + 2 lights slice k. Of some slices, and of some twice."""
    a = lit(operator((5, 4, 3), columns=7, rows=7))
    assert a.row_of_slice.tolist() == [2, 3, 4]
    light = a.optics.illumination
    assert torch.equal(a.light_of_slice, light[:, 2:5])
    index = torch.tensor([2, 0, 2])
    few = a.of_slices(index)
    assert torch.equal(few.optics.illumination, light[:, [4, 2, 4]])
    g = random((3, 7, 3))
    whole = torch.zeros(3, 7, 7).double()
    whole[..., 4], whole[..., 2] = g[..., 0], g[..., 1]
    dose = a(whole)
    torch.testing.assert_close(few(g)[:, :, :2], dose[:, :, [2, 0]], rtol=1e-12, atol=1e-15)
    again = few.of_slices(torch.tensor([1]))  # of these, once more
    assert torch.equal(again.optics.illumination, light[:, [2]])


@pytest.mark.parametrize(("row", "rows"), [(0.2, 9), (0.8, 3)])
def test_where_rows_mix_a_slice_is_lit_as_the_brightest_of_them(row, rows):
    """So no patterns of the rows give a slice more than patterns of its own: level 1 in every row against it."""
    a = lit(operator((5, 4, 4), 0.5, columns=7, rows=rows, row=row))
    own = DoseOperator(a.optics.for_slices(torch.arange(4), a.grid), a.grid, a.backend, gain=a.gain)
    assert own.pattern_shape[2] == 4
    assert bool((a(torch.ones(a.pattern_shape).double()) <= own(torch.ones(own.pattern_shape).double()) + 1e-15).all())
    assert a.light_of_slice is None  # slices share rows
    dark = dataclasses.replace(a.optics, illumination=torch.zeros(7, rows).double())
    assert float(dark.for_slices(torch.arange(4), a.grid).illumination.max()) == 0


def test_what_is_no_illumination_is_refused():
    optics = operator(columns=7, rows=2).optics
    with pytest.raises(ShapeError, match=r"illumination has shape \(2, 7\); expected \(column=7, row=2\)"):
        optics.replace(illumination=torch.ones(2, 7))
    for wrong in (float("nan"), float("inf"), -0.1):
        light = torch.ones(7, 2).double()
        light[3, 1] = wrong
        with pytest.raises(ShapeError, match="finite numbers of 0 or more"):
            optics.replace(illumination=light)


def test_motion_and_scenarios_say_how_their_slices_are_lit():
    """A design under several scenarios shares no slices that differ in any of them."""
    even = operator((5, 4, 3), columns=7, rows=3, angles=6)
    one, other = lit(even), lit(even, seed=6)
    assert torch.equal(Turning(one, 2).light_of_slice, one.light_of_slice)
    both = Scenarios([(one, 1.0), (other, 1.1)])
    assert torch.equal(both.light_of_slice, torch.cat([one.light_of_slice, other.light_of_slice]))
    assert torch.equal(Scenarios([(even, 1.0), (other, 1.1)]).light_of_slice, other.light_of_slice)
    assert Scenarios([(even, 1.0)]).light_of_slice is None
