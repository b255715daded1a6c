"""A vial that turns while an image stands, against arcs worked by hand and direct summation in float64."""

import functools
import itertools
import math

import numpy as np
import pytest
import torch

from direct import turning_dose
from lightlathe.beams import Telecentric
from lightlathe.dose import Backend, DoseOperator, Turning, few_parts, substeps
from lightlathe.errors import ShapeError
from lightlathe.quantities import Grid
from operators import dense, operator

RADIUS, ABSORPTION = 6.0, 0.12
standing = functools.partial(
    operator, shape=(18, 17, 3), angles=24, columns=20, rows=3, radius=RADIUS, absorption=ABSORPTION, first_rad=0.0,
    kernel="reference",
)  # fmt: skip
SMALL = {"shape": (6, 5, 2), "voxel": 0.6, "angles": 3, "columns": 5, "rows": 2, "pixel": 0.7}


def test_the_smear_of_a_step_is_an_arc():
    """24 deg/s, 60 images a second, 10 mm from the axis: 69.8 um (r omega / f). One column lit, read across the light.

    A box of width w adds w^2 / 12 to the variance of the light across; w^2 / 12 (1 - 1 / parts^2) in `parts` parts,
    which is 0.3 % less of w at 14. And the hat of a pixel, 20 um to either side, has a variance of pixel^2 / 6.
    """
    step, pixel, voxel = math.radians(24) / 60, 0.02, 0.005
    chords = Telecentric().chords(angle_rad=step * torch.arange(-1, 2), columns=21, rows=1, pixel_mm=pixel)
    still = operator((25, 4001, 1), voxel, chords=chords, radius=12.0, absorption=0.0)
    patterns = torch.zeros(still.pattern_shape, dtype=torch.float64)
    patterns[1, 10] = 1.0  # the middle column of the image at angle 0

    def variance(motion):
        return np.average(
            still.grid.centres_mm(0).numpy() ** 2, weights=motion(patterns)[:, -1, 0].numpy()
        )  # at y = 10 mm

    assert variance(still) == pytest.approx(pixel**2 / 6, rel=0.1)  # read at quarters of a pixel
    assert math.sqrt(12 * (variance(Turning(still, 14)) - variance(still))) == pytest.approx(0.0698, rel=0.01)


@pytest.mark.parametrize("sense", [1, -1])
def test_the_dose_is_the_mean_over_the_dwell(sense):
    """Random images, far rougher than a design's, against 400 angles of each step in code of its own.

    As dose/motion.py says of a quarter of a pixel: found here 1.6e-3 rms, 3.5e-3 of the peak.
    """
    still = standing()
    turned = still.optics.replace(angle_rad=sense * still.optics.chords.angle_rad)
    still = DoseOperator(turned, still.grid, Backend(dtype=torch.float64))
    reach = float(still.grid.radius_mm().max())
    step = sense * 2 * math.pi / 24
    moving = Turning(still, substeps(step, reach, 0.5, 0.5))
    patterns = torch.rand(still.pattern_shape, generator=torch.Generator().manual_seed(0), dtype=torch.float64)
    x, y = (a.flatten() for a in torch.meshgrid(still.grid.centres_mm(0), still.grid.centres_mm(1), indexing="ij"))
    inside = (x.square() + y.square()).sqrt() <= RADIUS
    angle_rad = turned.chords.angle_rad.numpy()
    wanted = turning_dose(
        patterns.numpy(), angle_rad, step, x[inside].numpy(), y[inside].numpy(), pixel=0.5, radius=RADIUS,
        absorption=ABSORPTION, parts=400,
    )  # fmt: skip

    def off(motion):
        found = motion(patterns).reshape(-1, 3)[inside].numpy() - wanted
        return np.sqrt((found**2).mean() / (wanted**2).mean()), np.abs(found).max() / wanted.max()

    rms, most = off(moving)
    assert rms < 2e-3
    assert most < 5e-3
    assert off(still)[0] > 20 * rms  # images that stand still are another thing


def test_few_matched_parts_scatter_as_much_as_the_arc():
    """The arc of the first test: w^2 / 12 in 2 or 3 parts as in many; the middles of 2 parts scatter 3/4 of that.

    The hat of a pixel, read at quarters of it, is off by up to 10 % of pixel^2 / 6 (above): 0.016 of w^2 / 12.
    """
    step = math.radians(24) / 60
    chords = Telecentric().chords(angle_rad=step * torch.arange(-1, 2), columns=21, rows=1, pixel_mm=0.02)
    still = operator((25, 4001, 1), 0.005, chords=chords, radius=12.0, absorption=0.0)
    patterns = torch.zeros(still.pattern_shape, dtype=torch.float64)
    patterns[1, 10] = 1.0

    def variance(motion):
        return np.average(still.grid.centres_mm(0).numpy() ** 2, weights=motion(patterns)[:, -1, 0].numpy())

    def smeared(motion):
        return 12 * (variance(motion) - variance(still)) / (10 * step) ** 2

    for parts in (2, 3, 5):
        assert smeared(Turning(still, parts, matched=True)) == pytest.approx(1, abs=0.02)
        assert smeared(Turning(still, parts)) == pytest.approx(1 - 1 / parts**2, abs=0.02)


def test_halving_the_parts_errs_four_times_as_much():
    still = standing()
    patterns = torch.rand(still.pattern_shape, generator=torch.Generator().manual_seed(1), dtype=torch.float64)
    exact = Turning(still, 512)(patterns)
    rms = [float((Turning(still, parts)(patterns) - exact).square().mean().sqrt()) for parts in (8, 16, 32)]
    for coarse, fine in itertools.pairwise(rms):
        assert 2.5 < coarse / fine < 6  # 4 on average; the kinks of linear interpolation lie at random


def test_very_many_images_are_as_good_as_standing_still():
    """Images that change smoothly from angle to angle: the smear is of second order in the step."""
    off = []
    for angles in (24, 48, 96, 192):
        still = standing(angles=angles)
        across = still.optics.chords.offset_mm
        image = (
            torch.exp(-(across**2))[None, :, None] * (1 + torch.cos(6 * still.optics.chords.angle_rad))[:, None, None]
        )
        patterns = image.expand(still.pattern_shape).contiguous()
        moving = Turning(still, substeps(2 * math.pi / angles, 6.0, 0.5, 0.5))
        off.append(float((moving(patterns) - still(patterns)).abs().max() / still(patterns).max()))
    assert off[0] > 0.01
    assert off[-1] < 1e-3
    assert off[-1] < off[0] / 20  # 64 for a step so fine that all is smooth; found 43


@pytest.mark.parametrize("matched", [False, True])
@pytest.mark.parametrize("parts", [1, 2, 5])
def test_transpose_is_the_transpose(parts, matched):
    moving = Turning(standing(**SMALL), parts, matched=matched)
    matrix = dense(moving, moving.pattern_shape)
    assert matrix.count_nonzero() > 100
    torch.testing.assert_close(dense(moving.transpose, moving.dose_shape), matrix.T, rtol=0, atol=1e-15)


def test_one_part_is_an_image_that_stands_still():
    still = standing()
    patterns = torch.rand(still.pattern_shape, dtype=torch.float64)
    assert torch.equal(Turning(still, 1)(patterns), still(patterns))


def test_scaled_and_on_another_grid():
    moving, grid = Turning(standing(), 3), Grid((9, 9, 3), 1.0)
    patterns = torch.rand(moving.pattern_shape, dtype=torch.float64)
    torch.testing.assert_close(moving.scaled(3 * moving.gain)(patterns), 3 * moving(patterns))
    there = Turning(standing().on(grid), 3)
    assert (moving.on(grid).parts, moving.on(grid).dose_shape) == (3, (9, 9, 3))
    assert torch.equal(moving.on(grid)(patterns), there(patterns))
    assert torch.equal(moving.scaled(2.0).on(grid)(patterns), there.scaled(2.0)(patterns))


def test_matched_parts_stay_matched():
    moving, grid = Turning(standing(), 2, matched=True), Grid((9, 9, 3), 1.0)
    patterns = torch.rand(moving.pattern_shape, dtype=torch.float64)
    there = Turning(standing().on(grid), 2, matched=True)
    assert torch.equal(moving.on(grid)(patterns), there(patterns))
    assert torch.equal(moving.within(1.0)(patterns), moving(patterns))
    assert not torch.equal(Turning(standing(), 2)(patterns), moving(patterns))
    other = standing(absorption=0.3)
    assert torch.equal(moving.like(other)(patterns), Turning(other, 2, matched=True)(patterns))
    flat = operator((18, 17, 2), angles=24, columns=20, rows=2, row=0.5, radius=RADIUS, first_rad=0.0)
    few = Turning(flat, 2, matched=True).of_slices(torch.tensor([0]))
    assert (few.parts, few.matched, few.dose_shape) == (2, True, (18, 17, 1))


def test_autograd_goes_through_both_ways():
    moving = Turning(standing(**SMALL), 2)
    patterns = torch.rand(moving.pattern_shape, dtype=torch.float64, requires_grad=True)
    dose = torch.rand(moving.dose_shape, dtype=torch.float64, requires_grad=True)
    assert torch.autograd.gradcheck(moving, patterns)
    assert torch.autograd.gradcheck(moving.transpose, dose)


@pytest.mark.parametrize(("angles", "expected"), [(60, 26), (120, 13), (1600, 1), (6000, 1)])
def test_parts_are_as_many_as_the_reach_needs(angles, expected):
    """2 pi 4 mm / angles, in parts of a quarter of 0.08 mm / ...: worked by hand, 60 images: 0.419 mm / 0.0163."""
    assert substeps(2 * math.pi / angles, 4.0, 0.065, 0.08) == expected
    assert substeps(-2 * math.pi / angles, 4.0, 0.08, 0.065) == expected


@pytest.mark.parametrize(
    ("images", "expected"), [(1500, 1), (838, 1), (837, 2), (315, 2), (314, 3), (210, 3), (209, 4), (60, 11)]
)
def test_a_design_has_few_parts(images, expected):
    """2 pi 4 mm / images in pixels of 0.1 mm, worked by hand: up to 0.3 pixels at 838 images 1; parts of 0.4 pixels:
    2 from 315 images (0.798), 3 from 210 (1.197), 11 at 60 (4.19)."""
    assert few_parts(2 * math.pi / images, 4.0, 0.1) == expected
    assert few_parts(-2 * math.pi / images, 4.0, 0.1) == expected


def test_uneven_angles_are_refused():
    still = standing(angles=4)
    chords = still.optics.replace(angle_rad=torch.tensor([0.0, 1.0, 2.5, 4.0], dtype=torch.float64))
    uneven = DoseOperator(chords, still.grid)
    with pytest.raises(ShapeError, match="even steps"):
        Turning(uneven, 2)
    with pytest.raises(ShapeError, match="0 parts"):
        Turning(still, 0)


def test_several_parts_in_one_operator_are_no_more_than_a_kernel_takes():
    """One kernel for cards takes 2000 directions."""
    moving = Turning(standing(angles=360), 13)
    angles = [len(member._operator.optics.chords.angle_rad) for member in moving._members]
    assert max(angles) <= 2000
    assert sum(angles) == 13 * 360
    assert len(angles) < 13
    patterns = torch.rand(moving.pattern_shape, generator=torch.Generator().manual_seed(0), dtype=torch.float64)
    shift = 2 * math.pi / 360 / 13
    one_by_one = sum(
        DoseOperator(
            moving.still.optics.replace(angle_rad=moving.still.optics.chords.angle_rad + (part - 6) * shift),
            moving.grid,
            moving.still.backend,
            gain=moving.gain / 13,
        )(patterns)
        for part in range(13)
    )
    torch.testing.assert_close(moving(patterns), one_by_one, rtol=1e-12, atol=1e-14)
