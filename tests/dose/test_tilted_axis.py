"""Light of a projector in whose picture the turning axis leans.

Against direct sums written from the geometry alone: a point at s across the axis and z along it lies at
u = s cos + z sin across the picture and v = z cos - s sin up it, the turn of a picture about the light. Shares no code
with the package. tests/dose/test_photons.py follows photons into tilted vials, bare and before a lens.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import torch
from dose_cases import runnable

from lightlathe.beams import Diverging, Telecentric, full_turn
from lightlathe.dose import Backend, Directions, DoseOperator, Turning
from lightlathe.dose.to_views import plan
from lightlathe.errors import ShapeError
from lightlathe.job.vial import Vial
from lightlathe.quantities import Defocus, Field, Footprint, Grid, Optics, Shadows, Tilt
from lightlathe.resins import Threshold
from operators import dense, random

PIXEL, RADIUS, MU, ANGLES = 0.1, 1.6, 0.3, 31
AXIS = 19.2  # column at which the axis crosses the middle row: 0.3 columns left of the field's middle


def chords(columns=40, rows=30, angles=ANGLES):
    offset = ((columns - 1) / 2 - AXIS) * PIXEL
    return Telecentric().chords(
        angle_rad=full_turn(angles, 0.1), columns=columns, rows=rows, pixel_mm=PIXEL, axis_offset_mm=offset
    )


def optics(tilt_deg, **more):
    return Optics(chords(), RADIUS, MU, tilt=Tilt(math.radians(tilt_deg), AXIS, PIXEL) if tilt_deg else None, **more)


def on(light, grid, kernel="cpu"):
    return DoseOperator(light, grid, Backend(kernel, dtype=torch.float64))


def direct(patterns, tilt_deg, grid):
    """(x, y, z) mean over a turn: every voxel reads every image at its own place, linearly between pixels."""
    tilt = math.radians(tilt_deg)
    x, y, z = (grid.centres_mm(axis).numpy() for axis in range(3))
    x, y, z = x[:, None, None], y[None, :, None], z[None, None, :]
    dose = np.zeros(grid.shape)
    columns, rows = patterns.shape[1:]
    for image, angle in zip(np.pad(patterns, ((0, 0), (1, 1), (1, 1))), full_turn(ANGLES, 0.1).numpy(), strict=True):
        s, t = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
        u = (s * np.cos(tilt) + z * np.sin(tilt)) / PIXEL + AXIS + 1
        v = (z * np.cos(tilt) - s * np.sin(tilt)) / PIXEL + (rows - 1) / 2 + 1
        u, v = np.clip(u, 0, columns + 1 - 1e-9), np.clip(v, 0, rows + 1 - 1e-9)
        i, j = np.floor(u).astype(int), np.floor(v).astype(int)
        f, g = u - i, v - j
        lower = image[i, j] * (1 - f) + image[i + 1, j] * f
        upper = image[i, j + 1] * (1 - f) + image[i + 1, j + 1] * f
        depth = np.sqrt(np.maximum(RADIUS**2 - s**2, 0)) + t
        dose += (lower * (1 - g) + upper * g) * np.exp(-MU * depth)
    return dose * (x * x + y * y <= RADIUS**2) / len(patterns)


def off(one, other):
    """Root mean square of the difference, over that of the other about its mean."""
    return float(np.sqrt(((one - other) ** 2).mean()) / other.std())


SMOOTH = np.kron(np.random.default_rng(3).random((ANGLES, 10, 10)), np.ones((1, 4, 3)))
NOISE = np.random.default_rng(4).random((ANGLES, 40, 30))


@pytest.mark.parametrize(("voxel", "shape"), [(0.1, (32, 31, 24)), (0.05, (63, 64, 47))])
@pytest.mark.parametrize("tilt_deg", [0.3, -2.0, 6.0])
def test_the_dose_is_that_of_a_picture_turned_about_the_light(tilt_deg, voxel, shape):
    """Of light that changes over a few pixels 0.6 % is elsewhere, of noise from pixel to pixel 1.4 %: columns are read
    at three places each. Untilted, the dose is far off; the other way round further.
    """
    grid = Grid(shape, voxel)
    for levels, most in ((SMOOTH, 0.007), (NOISE, 0.016)):
        wanted = direct(levels, tilt_deg, grid)
        assert off(on(optics(tilt_deg), grid)(torch.from_numpy(levels)).numpy(), wanted) < most
    wanted = direct(SMOOTH, tilt_deg, grid)
    flat, wrong = (off(on(optics(x), grid)(torch.from_numpy(SMOOTH)).numpy(), wanted) for x in (0.0, -tilt_deg))
    assert flat > 0.009 * abs(tilt_deg)
    assert wrong > 1.3 * flat


def test_a_small_tilt_is_all_but_none():
    """1e-9 rad: what is left is that bins lie elsewhere than columns."""
    grid = Grid((32, 31, 24), 0.1)
    flat, tilted = (on(optics(x), grid)(torch.from_numpy(SMOOTH)).numpy() for x in (0.0, math.degrees(1e-9)))
    assert 0 < off(tilted, flat) < 0.01


@pytest.mark.parametrize("pixel", [Footprint(), Footprint("square"), Footprint("linear", sigma=0.5)])
@pytest.mark.parametrize(("voxel", "rows"), [(0.1, 30), (0.13, 30), (0.06, 30)])
def test_even_light_stays_even(pixel, voxel, rows):
    """Well inside the field even light gives what it gives an axis that stands straight."""
    grid = Grid((16, 15, 10), voxel)
    ones = torch.ones(ANGLES, 40, rows, dtype=torch.float64)
    flat, tilted = (on(optics(x, footprint=pixel), grid)(ones) for x in (0.0, 3.0))
    torch.testing.assert_close(tilted, flat, rtol=2e-6, atol=0)


@pytest.mark.parametrize("pixel", [Footprint(), Footprint("square"), Footprint("linear", sigma=1.0)])
@pytest.mark.parametrize("tilt_deg", [1.5, -7.0])
def test_a_pixel_keeps_its_light_its_place_and_its_width(pixel, tilt_deg):
    """The first two moments of what pixels give the fine columns, read linearly, and planes. Reading widens linear ones
    by spacing^2 / 6 in the mean, and square ones, whose mean over a fine column counts, by half as much more; a blur of
    a pixel takes up either.
    """
    tilt = Tilt(math.radians(tilt_deg), AXIS, PIXEL)
    resampling, views = plan(Optics(chords(), RADIUS, MU, pixel, tilt=tilt), Grid((8, 8, 61), 0.1), Directions())
    made = resampling.to(torch.device("cpu"), torch.float64).tilted
    assert made is not None
    s = views.offset_mm()[:, None] / PIXEL
    z = Grid((8, 8, 61), 0.1).centres_mm(2) / PIXEL
    finer = PIXEL / views.bin_mm
    widths = []
    for column, row in ((12, 9), (20, 15), (29, 22), (17, 20), (23, 8), (14, 25)):
        levels = torch.zeros(40, 30, dtype=torch.float64)
        levels[column, row] = 1
        light = made.forward(levels)
        assert float(light.sum()) / finer == pytest.approx(1, abs=5e-3)
        u, v = column - AXIS, row - 14.5
        wanted = (
            u * math.cos(tilt.angle_rad) - v * math.sin(tilt.angle_rad),
            u * math.sin(tilt.angle_rad) + v * math.cos(tilt.angle_rad),
        )
        middle = [float((light * x).sum() / light.sum()) for x in (s, z)]
        assert middle == pytest.approx(wanted, abs=0.02)
        widths.append(float((light * (s - middle[0]).square()).sum() / light.sum()) + 1 / (6 * finer**2))
    wider = {"linear": 1 / 6, "square": 1 / 6 + 1 / 12}[pixel.shape] / finer**2 if pixel.sigma == 0 else 0.0
    # by hand: u and z - z0 over cos(tilt) have the pixel's variance, and s = (u - z sin(tilt)) / cos(tilt)
    sheared = 1 / math.cos(tilt.angle_rad) ** 2 + math.sin(tilt.angle_rad) ** 2
    assert np.mean(widths) == pytest.approx(sheared * pixel.variance + wider, abs=0.25 * wider + 0.004)


def bare(columns=10, rows=6, distance=None, angles=4):
    vial = Vial(3.2, 20.0, "air", 0.2, 1.48)
    beam = Telecentric() if distance is None else Diverging(distance_mm=distance)
    return beam.chords(
        angle_rad=full_turn(angles, 0.1), columns=columns, rows=rows, pixel_mm=0.4, axis_offset_mm=0.07, vial=vial,
        resin=Threshold(MU, 30.0, 40.0, refractive_index=1.5),
    )  # fmt: skip


GRID = Grid((5, 6, 4), 0.5)
LEANS = Tilt(math.radians(5.0), 4.3, 0.4)
ILLUMINATION = 0.2 + torch.rand(10, 6, dtype=torch.float64, generator=torch.Generator().manual_seed(1))
ROD = Shadows.of((GRID.radius_mm()[:, :, None] < torch.tensor([0.4, 0.4, 0.7, 0.9])).float(), GRID, RADIUS)
PARALLEL = Telecentric().chords(angle_rad=full_turn(4, 0.1), columns=10, rows=6, pixel_mm=0.4)
S = PARALLEL.offset_mm
KINDS = {
    "parallel": Optics(PARALLEL, RADIUS, MU),
    "uneven light": Optics(PARALLEL, RADIUS, MU, illumination=ILLUMINATION),
    "square, blurred": Optics(PARALLEL, RADIUS, MU, Footprint("square", sigma=0.4)),
    "out of focus": Optics(PARALLEL, RADIUS, MU, defocus=Defocus(0.3, 0.2)),
    "around a rod": Optics(PARALLEL, RADIUS, MU, shadows=ROD),
    "bent, uneven chords": Optics(replace(PARALLEL, offset_mm=S + 0.05 * S**3, deflection_rad=0.1 * S), RADIUS, MU),
    "bare vial": Optics(bare(), RADIUS, MU, Footprint("square", sigma=0.3)),
    "a lens": Optics(bare(distance=20.0), RADIUS, MU, illumination=ILLUMINATION),
    "a lens, blurred": Optics(bare(distance=20.0), RADIUS, MU, Footprint("square", sigma=0.3)),
}


@pytest.mark.parametrize("kind", KINDS)
def test_the_transpose_is_the_transpose_and_kernels_agree(kind):
    """The whole matrix, of weights that are not negative, by every kernel that computes here."""
    light = replace(KINDS[kind], tilt=LEANS)
    matrices = []
    for kernel in [name for name in runnable(torch.float64) if name in ("reference", "cpu")]:
        a = DoseOperator(light, GRID, Backend(kernel, dtype=torch.float64), directions=Directions.even(2, True))
        matrix = dense(a, a.pattern_shape)
        assert matrix.count_nonzero() > 1000
        assert bool((matrix >= 0).all())
        torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=1e-12, atol=1e-14)
        matrices.append(matrix)
    # rows that spread lie within 0.05 rows of where the reference has them: tests/dose/test_diverging_light.py
    near = 0.05 if "lens" in kind else 1e-12
    assert float((matrices[0] - matrices[1]).abs().amax()) < near * float(matrices[0].amax())
    flat = dense(DoseOperator(KINDS[kind], GRID, Backend("cpu", dtype=torch.float64)), light.chords.pattern_shape)
    assert float((matrices[1] - flat).abs().amax()) > 0.1 * float(flat.amax())


def test_gradients_go_through_a_turning_vial():
    a = Turning(on(replace(KINDS["uneven light"], tilt=LEANS), GRID), 2)
    patterns = random(a.pattern_shape).requires_grad_()
    assert torch.autograd.gradcheck(a, (patterns,))
    batch = torch.stack([patterns.detach(), 2 * patterns.detach()])
    torch.testing.assert_close(a(batch)[1], a(2 * patterns.detach()))


@pytest.mark.parametrize("kind", ["parallel", "square, blurred", "uneven light", "around a rod"])
def test_slabs_are_slices_of_the_whole(kind):
    a = on(replace(KINDS[kind], tilt=LEANS), GRID)
    patterns = random(a.pattern_shape).abs()
    whole = a(patterns)
    for start, stop in ((0, 1), (1, 3), (3, 4)):
        rows, slab = a.slab(start, stop).of_its_rows()
        torch.testing.assert_close(slab(patterns[:, :, rows].contiguous()), whole[:, :, start:stop])
        back = a.slab(start, stop).transpose(whole[:, :, start:stop].contiguous())
        padded = torch.zeros_like(whole)
        padded[:, :, start:stop] = whole[:, :, start:stop]
        torch.testing.assert_close(back, a.transpose(padded))
    rows = a.slab(0, 1).of_its_rows()[0]
    assert rows.stop - rows.start < a.pattern_shape[2]


def test_lit_columns_and_rows_alone_give_the_same():
    field = Field(40, 30, 4, 31, 22)
    grid = Grid((20, 19, 9), 0.1)
    whole, lit = on(optics(4.0), grid), on(optics(4.0).lit(field), grid)
    levels = random((ANGLES, 31, 22)).abs()
    padded = torch.zeros(ANGLES, 40, 30, dtype=torch.float64)
    padded[:, field.lit[0], field.lit[1]] = levels
    torch.testing.assert_close(lit(levels), whole(padded), rtol=1e-9, atol=1e-12)


def test_slices_with_rows_of_their_own_hold_all_that_rows_give_them():
    """What a bound needs: any dose of a slice is one of non-negative light in a row of its own at the slice's height.

    That light is found by hand: of each column the rows that lie beside the slice's line.
    """
    light = replace(KINDS["parallel"], tilt=LEANS)
    a, index = on(light, GRID), torch.tensor([3, 1])
    assert a.row_of_slice is None
    assert not a.slices_independent
    own = on(light.for_slices(index, GRID), Grid((5, 6, 2), 0.5))
    assert own.slices_independent
    patterns = random(a.pattern_shape).abs()
    rows = torch.zeros(4, 10, 2, dtype=torch.float64)
    for k, z in enumerate(GRID.centres_mm(2)[index].tolist()):
        for column in range(10):
            # rows of 0.4 mm, closer than slices of 0.5: shares of a triangle that reaches to the next slices
            height = z / math.cos(LEANS.angle_rad) - (column - 4.3) * 0.4 * math.tan(LEANS.angle_rad)
            at = (np.arange(-4, 10) - 2.5) * 0.4
            share = np.maximum(0, 1 - np.abs(at - height) / 0.5)
            share = torch.from_numpy((share / share.sum())[4:10])
            rows[:, column, k] = patterns[:, column] @ share
    torch.testing.assert_close(own(rows), a(patterns)[:, :, index], rtol=1e-9, atol=1e-12)


def test_dead_pixels_are_those_beside_the_line():
    """The light of a slice with a row of its own, by column: that of the brightest row less than one from its line."""
    dead = torch.ones(10, 6, dtype=torch.float64)
    dead[:, 3] = 0
    light = replace(KINDS["parallel"], illumination=dead, tilt=Tilt(math.radians(9.0), 4.5, 0.4))
    found = light.for_slices(torch.arange(4), GRID).illumination
    heights = [
        (z / math.cos(math.radians(9)) - (c - 4.5) * 0.4 * math.tan(math.radians(9)))
        for c in range(10)
        for z in GRID.centres_mm(2)
    ]
    wanted = [any(abs(0.4 * (r - 2.5) - h) < 0.5 and r != 3 for r in range(6)) for h in heights]
    assert found is not None
    assert found.flatten().bool().tolist() == wanted


def test_an_impossible_tilt_is_refused():
    with pytest.raises(ShapeError, match=r"tilted by 0.5 rad.*Is it in degrees"):
        Tilt(0.5, 3.0, 0.1)
    with pytest.raises(ShapeError, match="finite place"):
        Tilt(0.01, math.inf, 0.1)
