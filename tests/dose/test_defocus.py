"""Light out of focus: bands of depth against blur that grows continuously, published widths, transposes, kernels."""

import dataclasses
import math
from itertools import pairwise

import pytest
import torch

from lightlathe.beams import Telecentric, full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.dose.focus import MOST_BANDS, Band, bands, misfit
from lightlathe.dose.footprint import convolved
from lightlathe.quantities import Chords, Defocus, Footprint, Grid, Optics
from lightlathe.quantities.defocus import cone
from operators import random

PIXEL, RADIUS, ABSORPTION = 0.25, 2.0, 0.3
WIDE = Defocus(0.35)  # 0.7 mm from the axis to the wall: a disc of 2.8 pixels' radius
SQUARE = Footprint("square", sigma=0.45)


def optics(defocus: Defocus | None = WIDE, *, footprint=SQUARE, columns=17, rows=9, angles=12) -> Optics:
    chords = Telecentric().chords(angle_rad=full_turn(angles), columns=columns, rows=rows, pixel_mm=PIXEL)
    return Optics(chords, RADIUS, ABSORPTION, footprint, defocus=defocus)


@pytest.mark.parametrize(("aperture", "blur_um"), [(0.01, 133), (0.05, 667), (0.1, 1336)])
def test_the_width_of_a_cone(aperture, blur_um):
    """2 |z| NA / sqrt(n^2 - NA^2) at z = 10 mm, n = 1.5: 133, 667 and 1336 um (this project's reference values)."""
    assert 2e3 * 10 * cone(aperture, 1.5) == pytest.approx(blur_um, abs=0.5)


def test_a_disc_and_its_gaussian_have_one_variance():
    """Radius^2 / 4 in one direction, by integration over a disc of many points."""
    x = torch.linspace(-1, 1, 2001, dtype=torch.float64)
    inside = x[:, None] ** 2 + x**2 <= 1
    variance = float((x[:, None] ** 2).expand_as(inside)[inside].mean())
    assert Defocus(1.0).sigma_mm(1.0) ** 2 == pytest.approx(variance, rel=2e-3)


@pytest.mark.parametrize("focus", [0.0, 0.7, -1.4, 5.0])
def test_weights_of_all_bands_add_up_to_1(focus):
    t = torch.linspace(-RADIUS, RADIUS, 401, dtype=torch.float64)
    found = bands(SQUARE, Defocus(0.35, focus), PIXEL, RADIUS)
    assert 2 <= len(found) <= MOST_BANDS
    total = sum((band.weight(t) for band, _ in found if band is not None), torch.zeros_like(t))
    torch.testing.assert_close(total, torch.ones_like(t), rtol=0, atol=1e-12)
    blurs = [footprint.sigma for _, footprint in found]
    assert blurs == sorted(blurs)


def test_a_slender_beam_takes_one_band():
    assert bands(SQUARE, Defocus(1e-3), PIXEL, RADIUS)[0][0] is None
    assert bands(SQUARE, None, PIXEL, RADIUS) == [(None, SQUARE)]


def test_mixing_misplaces_little_of_the_light():
    def at(away: float) -> Footprint:
        return dataclasses.replace(SQUARE, sigma=math.hypot(SQUARE.sigma, WIDE.sigma_mm(away) / PIXEL))

    found = bands(SQUARE, WIDE, PIXEL, RADIUS)
    ends = [math.sqrt(f.sigma**2 - SQUARE.sigma**2) * PIXEL * 2 / WIDE.per_mm for _, f in found]
    assert max(misfit(at, near, far) for near, far in pairwise(ends)) < 0.06
    assert misfit(at, 0, RADIUS) > 0.06  # two bands alone would not do


@pytest.mark.parametrize("focus", [0.0, 1.0])
def test_the_operator_is_a_sum_over_pixels_that_widen_with_depth(focus):
    """Each pixel's light at each voxel, blurred as its own depth says (closed form), and absorbed (Beer-Lambert)."""
    grid, defocus = Grid((15, 15, 5), 0.2), Defocus(0.35, focus)
    found = optics(defocus)
    operator = DoseOperator(found, grid, Backend(dtype=torch.float64))
    g = torch.rand(operator.pattern_shape, generator=torch.Generator().manual_seed(0), dtype=torch.float64)
    x, y, z = (grid.centres_mm(axis) for axis in range(3))
    row_z = (torch.arange(9) - 4) * PIXEL
    exact = torch.zeros(grid.shape, dtype=torch.float64)
    for i in range(15):
        for j in range(15):
            if x[i] ** 2 + y[j] ** 2 > RADIUS**2:
                continue
            for angle, image in zip(found.chords.angle_rad.tolist(), g, strict=True):
                s = float(x[i]) * math.cos(angle) + float(y[j]) * math.sin(angle)
                t = float(y[j]) * math.cos(angle) - float(x[i]) * math.sin(angle)
                sigma = math.hypot(SQUARE.sigma, 0.35 * abs(t - focus) / 2 / PIXEL)
                across = convolved((s - found.chords.offset_mm) / PIXEL, (1.0,), sigma)
                along = convolved((z[:, None] - row_z) / PIXEL, (1.0, 0.8), sigma)
                left = math.exp(-ABSORPTION * (math.sqrt(RADIUS**2 - s**2) + t))
                exact[i, j] += left * torch.einsum("c,cr,zr->z", across, image, along) / 12
    inside = exact > 0
    off = (operator(g) - exact)[inside].square().mean().sqrt() / exact[inside].square().mean().sqrt()
    sharp = DoseOperator(optics(None), grid, Backend(dtype=torch.float64))(g)
    unaware = (sharp - exact)[inside].square().mean().sqrt() / exact[inside].square().mean().sqrt()
    assert off < 0.01
    assert unaware > 5 * off


@pytest.mark.parametrize("kernel", ["reference", "cpu"])
@pytest.mark.parametrize("dtype", [torch.float64, torch.float32])
def test_transposes_are_exact_and_kernels_agree(kernel, dtype):
    operator = DoseOperator(optics(), Grid((13, 13, 4), 0.2), Backend(kernel, dtype=dtype))
    assert not operator.slices_independent
    assert operator.row_of_slice is None
    x, d = random(operator.pattern_shape, dtype), random(operator.dose_shape, dtype)
    one, other = (operator(x) * d).double().sum(), (x * operator.transpose(d)).double().sum()
    scale = (operator(x).double().norm() * d.double().norm()).item()
    tolerance = 1e-12 if dtype == torch.float64 else 1e-5
    assert abs(float(one - other)) < tolerance * scale
    plain = DoseOperator(optics(), Grid((13, 13, 4), 0.2), Backend("reference", dtype=torch.float64))
    torch.testing.assert_close(operator(x).double(), plain(x.double()), rtol=0, atol=tolerance * 50)


def test_gradients_and_batches():
    operator = DoseOperator(optics(rows=3), Grid((5, 5, 2), 0.5), Backend(dtype=torch.float64))
    x = random(operator.pattern_shape, torch.float64).requires_grad_()
    assert torch.autograd.gradcheck(operator, (x,), fast_mode=True)
    both = torch.stack([x.detach(), 2 * x.detach()])
    torch.testing.assert_close(operator(both)[1], operator(both[1]), rtol=0, atol=1e-14)


def test_a_bare_vials_light_may_be_out_of_focus_too():
    offset = (torch.arange(17, dtype=torch.float64) - 8) * 0.15
    chords = Chords(full_turn(12), offset, 0.2 * offset, torch.full_like(offset, 0.9), 3, 0.25, crossing=True)
    operator = DoseOperator(
        Optics(chords, RADIUS, ABSORPTION, SQUARE, defocus=WIDE), Grid((9, 9, 3), 0.3), Backend(dtype=torch.float64)
    )
    x, d = random(operator.pattern_shape, torch.float64), random(operator.dose_shape, torch.float64)
    one, other = float((operator(x) * d).sum()), float((x * operator.transpose(d)).sum())
    assert one == pytest.approx(other, rel=1e-10)


def test_light_in_focus_everywhere_is_as_before_bit_for_bit():
    grid, x = Grid((13, 13, 9), 0.25), random((12, 17, 9), torch.float32)
    assert torch.equal(DoseOperator(optics(Defocus(0.0)), grid)(x), DoseOperator(optics(None), grid)(x))


def test_a_band_rises_and_falls_between_its_neighbours():
    band = Band.between(0.5, 1.0, 2.0, 4.0)
    away = torch.tensor([0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0], dtype=torch.float64)
    wanted = torch.tensor([0.0, 0.0, 0.5, 1.0, 0.5, 0.0, 0.0], dtype=torch.float64)
    torch.testing.assert_close(band.weight(0.5 + away), wanted)
    torch.testing.assert_close(band.weight(0.5 - away), wanted)
