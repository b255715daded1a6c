"""Light into a bare vial: doses against closed forms and against rays traced by vectors, and the exact adjoint."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
import torch
from dose_cases import runnable

from lightlathe.beams import Telecentric, full_turn
from lightlathe.dose import Backend, Directions, DoseOperator, Turning
from lightlathe.dose.rebin import Rebinning
from lightlathe.errors import ShapeError
from lightlathe.job.vial import Vial
from lightlathe.quantities import Chords, Grid, Optics
from operators import dense, gap, random
from round_vial_rays import traced

R, GLASS, RESIN = 5.0, 1.473, 1.5
THICK = 12.5 / 11 - 1  # of R: a glass vial of 22 mm in 25 mm


def optics(absorption: float, wall: float, pixel: float, angles: int, rows: int = 1, **more) -> Optics:
    """Of a vial of radius R in air and a field as wide as it. `wall` in radii."""
    vial = Vial(2 * R, 10.0, surroundings="air", wall_mm=wall * R, wall_index=GLASS if wall else None)
    resin = SimpleNamespace(refractive_index=RESIN, absorption_per_mm=absorption)
    columns = math.ceil(2 * R * (1 + wall) / pixel) + 3
    given = {"angle_rad": full_turn(angles), "columns": columns, "rows": rows, "pixel_mm": pixel, **more}
    return Optics(Telecentric().chords(**given, vial=vial, resin=resin), R, absorption)


def in_even_light(r: float, absorption: float, wall: float, lossless: bool = False) -> float:
    """Mean over a turn of the dose at r: (2 n / pi) int T e^(-mu sqrt(R^2 - d^2)) cosh(mu sqrt(r^2 - d^2)) /
    sqrt(r^2 - d^2) dd over chords d < min(r, S), with d = r sin(u). The rotating beam's integral (a thin beam at d
    leaves 1 / (pi sqrt(r^2 - d^2)) at r), chords n1 / n2 as far apart as outside. T of unpolarised light, by rays."""
    nodes, weights = np.polynomial.legendre.leggauss(200)
    last = math.asin(min(1.0, R / r, R * (1 + wall) / RESIN / r))
    u = last * (nodes + 1) / 2
    d = r * np.sin(u)
    rays = traced(RESIN * d, R, R * (1 + wall), 1.0, GLASS, RESIN)
    enters = 1.0 if lossless else (rays.along_axis + rays.across_axis) / 2
    left = np.exp(-absorption * np.sqrt(R**2 - d**2)) * np.cosh(absorption * r * np.cos(u))
    return RESIN / math.pi * last * float((weights * left * enters).sum())


def on_rings(absorption: float, wall: float, voxel: float, rings: tuple[float, ...], lossless: bool = False):
    """(dose, that of the closed form), the mean over the voxels within half of one of each ring."""
    count = 2 * round(R / voxel) + 1
    light = optics(absorption, wall, voxel, angles=math.ceil(3.2 * R / voxel))
    if lossless:
        kept = torch.where(light.chords.transmittance > 0, RESIN, 0.0)
        column = light.chords.offset_mm.abs() * RESIN  # the outermost is lit as far as it reaches into the vial
        kept *= ((R * (1 + wall) - column) / voxel + 0.5).clamp(0, 1)
        light = light.replace(transmittance=kept)
    a = DoseOperator(light, Grid((count, count, 1), voxel), Backend(dtype=torch.float64))
    dose = a(torch.ones(a.pattern_shape, dtype=torch.float64))[:, :, 0]
    place = a.grid.centres_mm(0)
    radius = (place[:, None].square() + place[None, :].square()).sqrt()
    for ring in rings:
        at = (radius - ring * R).abs() <= voxel / 2
        wanted = [in_even_light(max(float(r), 1e-9), absorption, wall, lossless) for r in radius[at]]
        yield float(dose[at].mean()), float(np.mean(wanted))


def test_the_closed_form_is_the_published_one():
    """n = 1.5, mu R = 1, thin wall: 0.52975 at the axis, 0.5982 at R / 2, 0.3966 at 0.9 R, there 0.4291 with no losses;
    without absorption or losses n within R / n and (2 n / pi) asin(R / (n r)) beyond: 0.7966 at 0.9 R, 0.6968 at R."""
    assert in_even_light(1e-9, 1 / R, 0) == pytest.approx(0.52975, abs=1e-5)
    assert in_even_light(R / 2, 1 / R, 0) == pytest.approx(0.5982, abs=1e-4)
    assert in_even_light(0.9 * R, 1 / R, 0) == pytest.approx(0.3966, abs=1e-4)
    assert in_even_light(0.9 * R, 1 / R, 0, lossless=True) == pytest.approx(0.4291, abs=1e-4)
    for r in (0.9, 1.0):
        wanted = 2 * RESIN / math.pi * math.asin(1 / (RESIN * r))
        assert in_even_light(r * R, 0, 0, lossless=True) == pytest.approx(wanted, rel=1e-6)
    assert 2 * RESIN / math.pi * math.asin(1 / (RESIN * 0.9)) == pytest.approx(0.7966, abs=1e-4)


@pytest.mark.parametrize("wall", [0.0, THICK])
@pytest.mark.parametrize("depth", [0.5, 1.0])
def test_even_light_over_a_turn(wall, depth):
    """To 0.5 % on every ring, and to less than 0.25 % with voxels and pixels of half the size."""
    rings = (1e-9, 0.25, 0.5, 0.6, 0.85, 0.9)
    for voxel, allowed in ((0.2, 5e-3), (0.1, 2.5e-3)):
        for found, wanted in on_rings(depth / R, wall, voxel, rings):
            assert found == pytest.approx(wanted, rel=allowed)


def test_a_wide_beam_without_losses():
    """n within R / n, less beyond: 0.5 %, 0.25 % with half the voxel. Nothing is kept dark by refraction."""
    for voxel, allowed in ((0.2, 5e-3), (0.1, 2.5e-3)):
        for found, wanted in on_rings(0.0, 0.0, voxel, (0.2, 0.5, 0.8, 0.9), lossless=True):
            assert found == pytest.approx(wanted, rel=allowed)


def of_rays(light: Optics, levels, wall: float, cells: int, spread_rad: float) -> np.ndarray:
    """(cell, cell) irradiance over the vial's square of one image whose light comes from directions spread evenly over
    an angle: 40,000 rays leave their light along the way, in steps of 20 um."""
    count, step, edges = 40_000, 0.02, np.linspace(-R, R, cells + 1)
    s = ((np.arange(count) + 0.5) / count * 2 - 1) * R * (1 + wall)
    rays = traced(s, R, R * (1 + wall), 1.0, GLASS, RESIN)
    power = levels(s) * (rays.along_axis + rays.across_axis) / 2 * (s[1] - s[0])
    turned = ((np.arange(count) * (math.sqrt(5) - 1) / 2) % 1 - 0.5) * spread_rad
    c, n = np.cos(turned), np.sin(turned)
    total = np.zeros((cells, cells))
    for passed in np.arange(step / 2, 2 * R, step):
        x, y = (rays.entry + passed * rays.direction).T
        inside = x**2 + y**2 < R**2  # False for NaN
        weight = power * math.exp(-light.absorption_per_mm * passed) * step
        total += np.histogram2d((x * c - y * n)[inside], (x * n + y * c)[inside], (edges, edges), None, None,
                                weight[inside])[0]  # fmt: skip
    return total / (edges[1] - edges[0]) ** 2


@pytest.mark.parametrize("finer", [1, 3])
@pytest.mark.parametrize("wall", [0.0, 0.2])
def test_the_light_of_one_image(wall, finer):
    """Of one image while the vial turns on, in cells of 0.5 mm, against rays traced by vectors. Light draws together
    towards the back, up to the caustic inside the vial, and is as much brighter there. As a share of the mean cell
    2.5 % (rms) with pixels and voxels of 0.1 mm, 1 % with half of that; found 1.8 % and 0.5 % at most."""

    def levels(s):
        return 0.6 + 0.4 * np.sin(1.3 * s + 0.4)

    middle = np.abs((np.arange(20) - 9.5) * 0.5) + 0.25
    whole = np.hypot(middle[:, None], middle[None]) < R - 0.1  # cells all in the resin
    for size, angles, allowed in ((0.1, 180, 0.025), (0.05, 360, 0.01)):
        light = optics(0.1, wall, size, angles)
        count = round(2 * R / size)
        a = DoseOperator(light, Grid((count, count, 1), size), Backend(dtype=torch.float64), gain=1.0)
        patterns = torch.zeros(a.pattern_shape, dtype=torch.float64)
        patterns[0, :, 0] = torch.from_numpy(levels((light.chords.offset_mm * RESIN).numpy()))
        dose = Turning(a, 8, finer=finer)(patterns)[:, :, 0]
        found = dose.unflatten(0, (20, -1)).unflatten(2, (20, -1)).mean((1, 3)).numpy()
        wanted = of_rays(light, levels, wall, 20, 2 * math.pi / angles)
        off = math.sqrt(np.square(found - wanted)[whole].mean()) / wanted[whole].mean()
        assert off < allowed
        flat = (found.mean() / wanted.mean()) * wanted.mean(1, keepdims=True)  # light that did not draw together
        assert math.sqrt(np.square(found - flat)[whole].mean()) / wanted[whole].mean() > 5 * allowed


def looked_back(light: Optics, levels: np.ndarray, wall: float, place: np.ndarray, directions: int) -> np.ndarray:
    """Dose at places (place, 2) of images (angle, column) while the vial turns on: for many directions the ray of that
    direction through each place, which column it came from and what was shown there, read off rays traced before."""
    edge = min(R * (1 + wall), RESIN * R) * (1 - 1e-9)
    s = np.sin(np.linspace(-np.pi / 2, np.pi / 2, 20_001)) * edge
    rays = traced(s, R, R * (1 + wall), 1.0, GLASS, RESIN)
    angles, columns = levels.shape
    pitch = float(light.chords.offset_mm[1] - light.chords.offset_mm[0]) * RESIN
    padded = np.pad(levels, ((0, 0), (1, 2)))
    total = np.zeros(len(place))
    for direction in (np.arange(directions) + 0.5) / directions * 2 * np.pi:
        d = place[:, 0] * np.cos(direction) + place[:, 1] * np.sin(direction)
        t = place[:, 1] * np.cos(direction) - place[:, 0] * np.sin(direction)
        came, turned, along, across = (
            np.interp(d, rays.offset, values, left=0, right=0)
            for values in (s, rays.deflection, rays.along_axis, rays.across_axis)
        )
        image = np.round((direction - turned) / (2 * np.pi / angles)).astype(int) % angles
        column = np.clip(came / pitch + (columns - 1) / 2, -1, columns)
        low = np.floor(column).astype(int)
        shown = padded[image, low + 1] * (1 - column + low) + padded[image, low + 2] * (column - low)
        depth = np.sqrt(np.maximum(R**2 - d**2, 0)) + t
        total += shown * (along + across) / 2 * RESIN * np.exp(-light.absorption_per_mm * depth)
    return total / directions


@pytest.mark.parametrize("wall", [0.0, 0.2])
def test_every_voxel_gets_the_light_that_reaches_it(wall):
    """Random images, the vial turning on, against looking back along rays from every voxel: 1 % (rms) with a wall and
    2 % without, where light at grazing incidence matters; with one bin for each column twice as much and more."""
    light = optics(0.1, wall, 0.2, angles=90)
    a = DoseOperator(light, Grid((41, 41, 1), 0.2), Backend(dtype=torch.float64))
    patterns = random(a.pattern_shape).square()
    place = a.grid.centres_mm(0)
    x, y = torch.meshgrid(place, place, indexing="ij")
    inside = x.square() + y.square() < (0.8 * R) ** 2
    wanted = looked_back(light, patterns[:, :, 0].numpy(), wall, torch.stack([x[inside], y[inside]], 1).numpy(), 5760)
    off = [gap(Turning(a, 16, finer=finer)(patterns)[:, :, 0][inside].numpy(), wanted) for finer in (1, 2, 3)]
    assert off[2] < (0.01 if wall else 0.02)
    assert off[2] < off[1] < off[0]
    assert off[0] > 2 * off[2]


def test_no_light_appears_or_is_lost():
    """Over all of the resin: light in = reflected or past it + absorbed + what leaves at the far side."""
    absorption, voxel = 0.15, 0.1
    light = optics(absorption, THICK, voxel, angles=200)
    a = DoseOperator(light, Grid((101, 101, 1), voxel), Backend(dtype=torch.float64))
    absorbed = absorption * float(a(torch.ones(a.pattern_shape, dtype=torch.float64)).sum()) * voxel**2
    s = (np.arange(200_000) + 0.5) / 200_000 * 2 * R * (1 + THICK) - R * (1 + THICK)
    rays = traced(s, R, R * (1 + THICK), 1.0, GLASS, RESIN)
    power = (rays.along_axis + rays.across_axis) / 2 * (s[1] - s[0])
    through = np.nan_to_num(np.exp(-2 * absorption * np.sqrt(R**2 - rays.offset**2)))
    assert absorbed == pytest.approx((power * (1 - through)).sum(), rel=3e-3)  # voxels at the wall are all or nothing


DIRECTIONS = {
    "one": Directions(),
    "three": Directions.even(3, moving=False),
    "three moving": Directions.even(3, moving=True),
    "some of four": Directions(Directions.even(4, True).offsets[1:3], 4, True),
    "finer bins": Directions.even(2, moving=True, finer=3),
}


@pytest.mark.parametrize("kernel", runnable(torch.float64))
@pytest.mark.parametrize("name", DIRECTIONS)
def test_transpose_is_the_transpose(kernel, name):
    """Every entry, in float64 to rounding; offset axis, three rows onto four slices."""
    light = optics(0.2, 0.1, 1.1, angles=5, rows=3, axis_offset_mm=0.17)
    backend = Backend(kernel, dtype=torch.float64)
    a = DoseOperator(light, Grid((7, 8, 4), 1.2), backend, directions=DIRECTIONS[name])
    assert a.rebinned
    matrix = dense(a, a.pattern_shape)
    assert matrix.count_nonzero() > 1000
    torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=0, atol=1e-15)
    batch = random((2, *a.pattern_shape))
    torch.testing.assert_close(a(batch), torch.stack([a(one) for one in batch]), rtol=0, atol=1e-14)


@pytest.mark.parametrize("name", DIRECTIONS)
def test_compiled_loops_do_what_torch_does(name):
    """Cards sort images into views with torch's gathers, CPUs with loops of their own; of a batch too."""
    light = optics(0.1, 0.1, 0.6, angles=11, rows=3)
    plan, cpu = Rebinning.of(light.chords, DIRECTIONS[name]), torch.device("cpu")
    loops, gathers = (plan.to(cpu, torch.float64, compiled=compiled) for compiled in (True, False))
    patterns = random((2, *light.chords.pattern_shape))
    views = loops.forward(patterns)
    torch.testing.assert_close(views, gathers.forward(patterns), rtol=0, atol=1e-14)
    assert float(views.abs().max()) <= loops.most * float(patterns.abs().max())
    other = random(views.shape, seed=1)
    torch.testing.assert_close(loops.transpose(other), gathers.transpose(other), rtol=0, atol=1e-14)


@pytest.mark.parametrize("kernel", runnable(torch.float32))
def test_inner_products_and_gradients(kernel):
    light = optics(0.2, 0.1, 0.9, angles=9, rows=3)
    a = Turning(DoseOperator(light, Grid((11, 12, 3), 0.8), Backend(kernel, dtype=torch.float32)), 3)
    g, v = random(a.pattern_shape, torch.float32, 1), random(a.dose_shape, torch.float32, 2)
    dose, back = a(g).double(), a.transpose(v).double()
    assert abs(float(((dose * v).sum() - (g * back).sum()) / (dose.norm() * v.norm()))) < 1e-5
    small = optics(0.2, 0.1, 2.9, angles=4, rows=2)
    exact = DoseOperator(small, Grid((3, 4, 2), 2.0), Backend(kernel, dtype=torch.float64))
    assert torch.autograd.gradcheck(exact, random(exact.pattern_shape).requires_grad_())


@pytest.mark.parametrize("sense", [1, -1])
def test_a_turning_vial_is_many_images_of_one_at_rest(sense):
    """An image shown while the vial turns on is the same image at rest at many angles within its step."""
    light, parts, angles = optics(0.2, 0.1, 0.9, angles=6), 5, 6
    light = light.replace(angle_rad=sense * light.chords.angle_rad)
    grid, backend = Grid((11, 12, 1), 0.8), Backend(dtype=torch.float64)
    moving = Turning(DoseOperator(light, grid, backend), parts)
    step = sense * 2 * math.pi / angles
    within = torch.tensor([(part - (parts - 1) / 2) * step / parts for part in range(parts)], dtype=torch.float64)
    fine = (light.chords.angle_rad[:, None] + within).flatten()
    many = DoseOperator(light.replace(angle_rad=fine), grid, backend)
    patterns = random(moving.pattern_shape)
    torch.testing.assert_close(moving(patterns), many(patterns.repeat_interleave(parts, 0)))
    assert gap(moving(patterns), moving.still(patterns)) > 0.01
    assert moving.scaled(2.0).gain == 2.0
    torch.testing.assert_close(moving.scaled(2 * moving.gain)(patterns), 2 * moving(patterns))
    other = Grid((9, 9, 2), 1.0)
    torch.testing.assert_close(moving.on(other)(patterns), Turning(moving.still.on(other), parts)(patterns))


def test_images_at_rest_are_the_same_from_parallel_light_in_many_directions():
    """Where all columns are deflected alike nothing is rebinned; where they are nearly so it is, to the same dose."""
    light = optics(0.2, 0.0, 0.9, angles=7)
    alike = light.replace(deflection_rad=torch.full_like(light.chords.offset_mm, 0.3))
    nearly = torch.linspace(0.3, 0.3 + 1e-9, len(light.chords.offset_mm), dtype=torch.float64)
    grid, backend = Grid((11, 12, 1), 0.8), Backend(dtype=torch.float64)
    a, b = DoseOperator(alike, grid, backend), DoseOperator(light.replace(deflection_rad=nearly), grid, backend)
    assert (a.rebinned, b.rebinned) == (False, True)
    patterns = random(a.pattern_shape)
    step = 2 * math.pi / 7
    fine = Turning(b, 2000, moving=False)  # light at rest lies within a part of its direction
    assert gap(fine(patterns), a(patterns)) < 3 * R * step / 2000 / 0.6


def test_what_cannot_be_rebinned_is_refused():
    place = torch.tensor([-1.0, 0.0, 1.0], dtype=torch.float64)
    chords = Chords(full_turn(4), place, 0.1 * place, torch.ones_like(place), 1, 1.0, crossing=True)
    light = Optics(chords, R, 0.1)
    DoseOperator(light, Grid((3, 3, 1), 1.0))
    uneven = torch.tensor([0.0, 1.0, 2.0], dtype=torch.float64)
    with pytest.raises(ShapeError, match="even turn"):
        DoseOperator(light.replace(angle_rad=uneven), Grid((3, 3, 1), 1.0))
