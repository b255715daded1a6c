"""Pixels as they are: shapes and blur against closed forms, and the operator against a direct sum over pixels."""

import dataclasses
import math

import numpy as np
import pytest
import torch
from scipy.ndimage import gaussian_filter1d

from lightlathe.beams import Telecentric, full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.dose.footprint import bins_for, convolved, misplaced, onto_bins, onto_slices
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Footprint, Grid, Optics
from lightlathe.quantities.footprint import FWHM_PER_SIGMA
from operators import random

PIXEL, RADIUS, ABSORPTION = 0.25, 2.0, 0.3
SHARP, SOFT = Footprint("square"), Footprint("square", 0.9, 0.6)
KINDS = [SHARP, SOFT, Footprint("linear", sigma=0.5), Footprint("square", sigma=1.5)]


def optics(footprint: Footprint, *, columns=17, rows=3, angles=12, absorption=ABSORPTION, row_mm=0.25) -> Optics:
    chords = Telecentric().chords(angle_rad=full_turn(angles), columns=columns, rows=rows, pixel_mm=PIXEL)
    return Optics(dataclasses.replace(chords, row_mm=row_mm), RADIUS, absorption, footprint)


def bent(footprint: Footprint) -> Optics:
    """Columns that a lens turns and that may cross, as those of a bare vial."""
    offset = (torch.arange(17, dtype=torch.float64) - 8) * 0.15
    chords = Chords(full_turn(12), offset, 0.2 * offset, torch.full_like(offset, 0.9), 3, 0.25, crossing=True)
    return Optics(chords, RADIUS, ABSORPTION, footprint)


def dense(taps) -> torch.Tensor:
    return taps.apply(torch.eye(taps.inputs, dtype=torch.float64)).T


@pytest.mark.parametrize("widths", [(1.0,), (0.7, 0.4), (1.0, 1.0, 0.5)])
@pytest.mark.parametrize("sigma", [0.0, 0.3, 1.1])
def test_boxes_and_gaussian_convolve_as_numbers_on_a_fine_grid_do(widths, sigma):
    """Against discrete convolution (numpy) and scipy's Gaussian filter, 500 samples a pixel."""
    step = 0.002
    u = np.arange(-4500, 4501) * step
    light = np.zeros(len(u))
    light[len(u) // 2] = 1 / step
    for width in widths:
        half = round(width / step / 2)
        box = np.ones(2 * half + 1)
        box[[0, -1]] = 0.5
        light = np.convolve(light, box / (2 * half), mode="same")
    light = gaussian_filter1d(light, sigma / step, truncate=8) if sigma else light
    found = convolved(torch.from_numpy(u), widths, sigma).numpy()
    assert np.abs(found - light).max() < (2e-3 if sigma or len(widths) > 1 else 0.51)  # half a step at a lone edge
    assert np.abs(found - light).sum() * step < 2e-3


def test_a_square_pixel_blurred_is_a_difference_of_error_functions():
    """Box of 1 with a Gaussian: (erf((u + 1/2) / sqrt(2) s) - erf((u - 1/2) / sqrt(2) s)) / 2, by definition of erf."""
    u, s = np.linspace(-3, 3, 61), 0.4
    exact = [(math.erf((x + 0.5) / (math.sqrt(2) * s)) - math.erf((x - 0.5) / (math.sqrt(2) * s))) / 2 for x in u]
    assert np.abs(convolved(torch.from_numpy(u), (1.0,), s).numpy() - exact).max() < 1e-12


def test_the_width_of_a_gaussian_at_half_its_height():
    """2 sqrt(2 ln 2) standard deviations."""
    assert pytest.approx(2 * math.sqrt(2 * math.log(2)), rel=1e-15) == FWHM_PER_SIGMA


@pytest.mark.parametrize("footprint", [SHARP, Footprint("square", sigma=0.6), Footprint("linear", sigma=0.5)])
@pytest.mark.parametrize("finer", [1, 2, 3, 5])
def test_even_light_stays_even(footprint, finer):
    bins = dense(onto_bins(footprint, 31, finer)).sum(1)
    middle = bins[len(bins) // 2 - 5 * finer : len(bins) // 2 + 5 * finer]
    torch.testing.assert_close(middle, torch.ones_like(middle), rtol=0, atol=1e-6)


@pytest.mark.parametrize("footprint", KINDS)
def test_as_many_bins_as_keep_the_light_in_its_place(footprint):
    bins = bins_for(footprint, PIXEL, PIXEL / 5)
    assert bins == 5 or misplaced(footprint, bins) <= 0.02
    assert bins == 1 or misplaced(footprint, bins - 1) > 0.02
    assert bins_for(footprint, PIXEL, PIXEL) == 1  # none finer than asked


@pytest.mark.parametrize("footprint", KINDS[1:])
def test_the_operator_is_a_sum_over_pixels(footprint):
    """Each pixel's light at each voxel's centre, by the closed form; absorption along the way (Beer-Lambert)."""
    grid, found = Grid((15, 15, 3), 0.2), optics(footprint)
    operator = DoseOperator(found, grid, Backend(dtype=torch.float64))
    g = torch.rand(operator.pattern_shape, generator=torch.Generator().manual_seed(0), dtype=torch.float64)
    x, y, z = (grid.centres_mm(axis) for axis in range(3))
    slices = (0.8,) if footprint.shape == "square" else ()  # of linear pixels slices read their centres
    rows = (z[:, None] - torch.tensor([-0.25, 0, 0.25])) / 0.25
    along_z = convolved(rows, (*footprint.boxes, *slices), footprint.sigma)
    dose = torch.zeros(grid.shape, dtype=torch.float64)
    for angle, image in zip(found.chords.angle_rad.tolist(), g, strict=True):
        s = x[:, None] * math.cos(angle) + y * math.sin(angle)
        t = y * math.cos(angle) - x[:, None] * math.sin(angle)
        left = torch.exp(-ABSORPTION * ((RADIUS**2 - s**2).clamp(min=0).sqrt() + t).clamp(min=0))
        across = convolved((s[..., None] - found.chords.offset_mm) / PIXEL, footprint.boxes, footprint.sigma)
        dose += left[..., None] * torch.einsum("xyc,cr,zr->xyz", across, image, along_z) / 12
    inside = (x[:, None] ** 2 + y**2 <= RADIUS**2)[..., None].expand_as(dose)
    error = (operator(g) - dose)[inside].square().mean().sqrt() / dose[inside].square().mean().sqrt()
    assert error < 0.003  # `misplaced` allows 2 % of each pixel's light, and neighbours make up for each other


def test_a_lone_square_pixel_turns_into_a_strip():
    """Strip |s| < a at all angles: 1 within a, (2 / pi) asin(a / r) beyond (Jahnke & Emde's integral; checked by
    quadrature in this project's reference values). Linear pixels of the same pitch differ by far more."""
    found = {}
    for footprint in (Footprint("square"), Footprint()):
        light = optics(footprint, columns=9, rows=1, angles=720, absorption=0.0)
        grid = Grid((61, 61, 1), 0.05)
        operator = DoseOperator(light, grid, Backend(dtype=torch.float64))
        g = torch.zeros(operator.pattern_shape, dtype=torch.float64)
        g[:, 4] = 1
        r, a = grid.radius_mm(), PIXEL / 2
        exact = torch.where(r <= a, 1.0, 2 / math.pi * torch.asin((a / r).clamp(max=1)))
        far = ((r - a).abs() > 0.08) & (r < RADIUS)  # two voxels from the edge
        found[footprint.shape] = float((operator(g)[..., 0] - exact)[far].abs().amax())
    assert found["square"] < 0.01 < 0.04 < found["linear"]


@pytest.mark.parametrize("made", [optics, bent])
@pytest.mark.parametrize("footprint", KINDS)
@pytest.mark.parametrize("dtype", [torch.float64, torch.float32])
def test_transposes_are_exact(made, footprint, dtype):
    operator = DoseOperator(made(footprint), Grid((13, 13, 4), 0.2), Backend(dtype=dtype))
    x, d = random(operator.pattern_shape, dtype), random(operator.dose_shape, dtype)
    one, other = (operator(x) * d).double().sum(), (x * operator.transpose(d)).double().sum()
    scale = (operator(x).double().norm() * d.double().norm()).item()
    assert abs(float(one - other)) < (1e-12 if dtype == torch.float64 else 1e-5) * scale


def test_gradients_and_batches():
    operator = DoseOperator(bent(SOFT), Grid((5, 5, 2), 0.5), Backend(dtype=torch.float64))
    x = random(operator.pattern_shape, torch.float64).requires_grad_()
    assert torch.autograd.gradcheck(operator, (x,), fast_mode=True)
    both = torch.stack([x.detach(), 2 * x.detach()])
    torch.testing.assert_close(operator(both)[1], operator(both[1]), rtol=0, atol=1e-14)


@pytest.mark.parametrize("made", [optics, bent])
def test_linear_pixels_are_as_before_bit_for_bit(made):
    grid = Grid((13, 13, 3), 0.2)
    plain = made(Footprint())
    x = random(plain.chords.pattern_shape, torch.float32)
    before = Optics(plain.chords, plain.vial_radius_mm, plain.absorption_per_mm)
    assert torch.equal(DoseOperator(plain, grid)(x), DoseOperator(before, grid)(x))
    assert DoseOperator(plain, grid).resampling.across is None


@pytest.mark.parametrize("footprint", KINDS)
def test_light_of_crossing_chords_is_kept(footprint):
    """What each column sends into the resin is in the views: bins are narrower, and there are as many more."""
    operator = DoseOperator(bent(footprint.within_rows()), Grid((11, 11, 3), 0.25), Backend(dtype=torch.float64))
    x = random(operator.pattern_shape, torch.float64)
    views = operator.resampling.forward(x)
    assert float(views.sum()) * operator.views.bin_mm == pytest.approx(0.9 * float(x.sum()) * 0.15, rel=1e-6)


def test_rows_keep_to_their_slices_only_where_they_are_square_sharp_and_as_tall():
    grid = Grid((5, 5, 3), 0.25)
    assert DoseOperator(optics(SHARP), grid).slices_independent
    for other in (optics(Footprint("square", sigma=0.2)), optics(SHARP, rows=4)):
        assert not DoseOperator(other, grid).slices_independent
    few = DoseOperator(optics(Footprint("square", sigma=0.4)), grid).optics.for_slices(torch.tensor([2, 0]), grid)
    assert DoseOperator(few, Grid((5, 5, 2), 0.25)).slices_independent  # light that left the row would be other slices'


def test_rows_half_a_slice_off_light_two_slices_alike():
    taps = onto_slices(SHARP, torch.tensor([-0.5, 0.5]).double(), torch.tensor([0.0]).double(), 1.0, 1.0)
    torch.testing.assert_close(dense(taps), torch.full((2, 1), 0.5, dtype=torch.float64))


def test_uneven_columns_that_must_not_cross_take_linear_pixels_alone():
    offset = torch.tensor([-1.0, -0.4, 0.1, 0.9], dtype=torch.float64)
    chords = Chords(full_turn(8), offset, 0 * offset, 0 * offset + 1, 2, 0.25)
    with pytest.raises(ShapeError, match="even and alike"):
        DoseOperator(Optics(chords, RADIUS, ABSORPTION, SOFT), Grid((5, 5, 2), 0.25))
    with pytest.raises(ShapeError, match="width above 0"):
        Footprint("square", 1.2)


def test_bins_are_no_more_than_kernels_for_cards_take():
    assert bins_for(SHARP, PIXEL, PIXEL / 5, 800) == 5
    assert bins_for(SHARP, PIXEL, PIXEL / 5, 1024) == 3
    assert bins_for(SHARP, PIXEL, PIXEL / 5, 2048) == 1


def test_less_and_less_blur_of_linear_pixels_tends_to_none():
    grid = Grid((9, 9, 5), 0.25)
    x = torch.rand(12, 17, 5, generator=torch.Generator().manual_seed(0), dtype=torch.float64)
    plain = DoseOperator(optics(Footprint(), rows=5), grid, Backend(dtype=torch.float64))(x)
    found = DoseOperator(optics(Footprint("linear", sigma=1e-4), rows=5), grid, Backend(dtype=torch.float64))(x)
    assert float((found - plain).norm() / plain.norm()) < 0.02  # of the bins across; along the rows nothing
    rows = onto_slices(Footprint("linear", sigma=1e-4), grid.centres_mm(2), grid.centres_mm(2), 0.25, 0.25)
    torch.testing.assert_close(dense(rows), torch.eye(5, dtype=torch.float64), rtol=0, atol=1e-3)
