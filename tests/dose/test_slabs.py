"""Slabs of a grid: products with some slices alone are those of the whole, and their transposes add up to it."""

from itertools import pairwise

import pytest
import torch
from dose_cases import CASES, runnable
from rods import rod, with_shadows

from lightlathe.beams import Diverging, full_turn
from lightlathe.dose import DoseOperator, Turning
from lightlathe.errors import ShapeError
from lightlathe.part import coverage
from lightlathe.part.shapes import Box, Sphere, Tube
from lightlathe.quantities import Footprint, Grid, Optics, Shadows
from operators import gap, operator, random

F64 = torch.float64


def slabs_of(nz: int) -> list[tuple[int, int]]:
    """Unlike slabs that make up all slices."""
    cuts = sorted({0, 1, nz // 2, nz})
    return [(a, b) for a, b in pairwise(cuts)]


def with_optics(a: DoseOperator, **changes) -> DoseOperator:
    return DoseOperator(a.optics.replace(**changes), a.grid, a.backend, gain=a.gain)


def agree(a, tolerance: float) -> None:
    """Doses in slabs are those of the whole; the transposes of slabs add up to that of the whole."""
    light, dose = random(a.pattern_shape, a.dtype).abs(), random(a.dose_shape, a.dtype, 1)
    whole, back = a(light), torch.zeros(a.pattern_shape, dtype=a.dtype)
    for start, stop in slabs_of(a.dose_shape[2]):
        part = a.slab(start, stop)
        assert part.dose_shape == (*a.dose_shape[:2], stop - start)
        assert part.pattern_shape == a.pattern_shape
        assert gap(part(light), whole[:, :, start:stop]) <= tolerance
        back += part.transpose(dose[:, :, start:stop].contiguous())
    assert gap(back, a.transpose(dose)) <= max(tolerance, 1e-15 if a.dtype == F64 else 1e-6)


@pytest.mark.parametrize("kernel", runnable(F64))
@pytest.mark.parametrize("case", CASES)
def test_slabs_are_parts_of_the_whole(case, kernel):
    agree(operator(**CASES[case], kernel=kernel), 1e-14)


def test_rows_that_are_slices_give_the_same_bits():
    agree(operator((12, 11, 9), angles=7, columns=14, rows=9, dtype=torch.float32), 0.0)


@pytest.mark.parametrize("pixel", [0.5, 0.2, 1.3])
def test_blurred_square_pixels(pixel):
    """Light of a row reaches several slices, of other slabs too."""
    a = operator((7, 8, 9), angles=5, columns=12, rows=11, pixel=pixel)
    agree(with_optics(a, footprint=Footprint("square", 0.9, 0.8)), 1e-14)


def test_motion_and_uneven_light():
    a = operator((7, 8, 9), angles=12, columns=12, rows=11, pixel=0.4)
    uneven = with_optics(a, illumination=random((12, 11), seed=3).abs())
    agree(uneven, 1e-14)
    agree(Turning(uneven, 3), 1e-14)


@pytest.mark.parametrize("pixel", [0.5, 0.3, 1.1])
def test_shadows(pixel):
    """A rod in some slices only; and one in all, whose slices share an answer."""
    for slices in (slice(2, 7), slice(None)):
        a = operator((9, 9, 10), angles=8, columns=14, rows=round(5 / pixel), pixel=pixel, radius=2.2)
        covered = rod(a.grid, 0.7, slices=slices)
        agree(with_shadows(a, Shadows.of(covered, a.grid, 2.2)), 1e-14)


def test_a_slab_of_a_slab_and_its_finer_grid_lie_where_they_did():
    grid = Grid((5, 6, 20), 0.3)
    slab = grid.slab(4, 17).slab(3, 9)
    assert torch.equal(slab.centres_mm(2), grid.centres_mm(2)[7:13])
    assert slab.whole == grid
    assert torch.equal(slab.finer(3).centres_mm(2), grid.finer(3).centres_mm(2)[21:39])


@pytest.mark.parametrize("wrong", [(-1, 4), (3, 3), (5, 21)])
def test_slabs_outside_the_grid_are_refused(wrong):
    with pytest.raises(ShapeError, match="of 20"):
        Grid((5, 6, 20), 0.3).slab(*wrong)


def test_rows_that_spread_with_depth_have_no_slabs():
    chords = Diverging(distance_mm=30.0).chords(
        angle_rad=full_turn(8), columns=10, rows=6, pixel_mm=0.5, vial=None, resin=None
    )
    a = DoseOperator(Optics(chords, 1.5, 0.1), Grid((6, 6, 6), 0.5))
    with pytest.raises(ShapeError, match="no slab"):
        a.slab(0, 3)


@pytest.mark.parametrize(
    "shape", [Tube(3.0, 2.0, 5.0, (0.1, 0.2, 0.3)), Box(2.0, 3.0, 4.0), Sphere(2.0, (0.0, 0.3, -0.2))]
)
def test_a_slab_is_counted_as_in_the_whole(shape):
    """Analytic shapes; meshes in tests/part/test_counting.py."""
    reach = float(abs(shape.bounds_mm).max())
    grid = Grid((22, 21, 24), 2.1 * reach / 22)
    whole = coverage(shape, grid)
    for start, stop in slabs_of(24):
        assert torch.equal(coverage(shape, grid.slab(start, stop)), whole[:, :, start:stop])


def test_a_slab_may_be_given_its_own_rows_alone():
    a = operator((7, 8, 12), angles=6, columns=12, rows=15, pixel=0.4)
    for whole in (a, Turning(a, 2), with_optics(a, footprint=Footprint("square", 0.9, 0.4))):
        slab, light = whole.slab(4, 8), random(a.pattern_shape).abs()
        rows, own = slab.of_its_rows()
        assert 4 <= rows.stop - rows.start < 12
        assert own.pattern_shape == (6, 12, rows.stop - rows.start)
        taken = light[:, :, rows].contiguous()
        assert gap(own(taken), slab(light)) == 0
        dose = random(slab.dose_shape, seed=2)
        assert gap(own.transpose(dose), slab.transpose(dose)[:, :, rows]) == 0
        rest = light.clone()
        rest[:, :, rows] = 0
        assert float(slab(rest).abs().max()) == 0
