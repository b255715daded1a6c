"""Light with an aperture behind a bare vial: out of focus in one way across the axis and in another along it.

Against photons of test_photons.py, which follow vectors through both surfaces and know nothing of a focus; against
paraxial optics by hand; and, as the vial's surroundings approach the resin, against the bands of depth of a matched
bath, which blur by distance and not by direction.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import test_photons as photons
import torch

from lightlathe.beams import RoundVial, Telecentric, full_turn
from lightlathe.dose import Backend, Directions, DoseOperator, Turning
from lightlathe.errors import ShapeError
from lightlathe.job.vial import Vial
from lightlathe.quantities import Astigmatism, Defocus, Footprint, Grid, Optics, Tilt
from lightlathe.resins import Threshold
from operators import dense, random

CELLS = (12, 12, 20)  # of three voxels across, and one along


def grating(scene):
    """(angle, column, row): bars two columns wide and four rows high, other ones at every angle."""
    lit = np.random.default_rng(7).random((photons.ANGLES, scene.columns // 2, photons.ROWS // 4)) > 0.8
    return np.kron(lit.astype(float), np.ones((1, 2, 4)))


def test_doses_are_those_of_photons(monkeypatch):
    """A cone of 0.15 about each ray, blurs of some 0.6 mm along the axis, and of 4 degrees across.

    In these cells the operator is 2 % off where light is parallel (scatter of the photons: 0.6 %), and as far with the
    aperture. Without it, with one part of it alone, or with the focus along the axis where it is in a matched bath,
    2.9 to 6 %.
    """
    monkeypatch.setattr(photons, "CELLS", CELLS)
    monkeypatch.setattr(photons, "levels", grating)
    scene = photons.Scene(cone=0.15, sigma=0.1, wall_mm=1.0)
    drawn = np.stack([photons.photons(scene, seed) for seed in range(3)]).mean(0)
    x = (np.arange(12) - 5.5) * 0.6
    whole = np.hypot(np.abs(x)[:, None] + 0.3, np.abs(x) + 0.3) < photons.INNER
    still = photons.operator_of(scene).still
    light = torch.from_numpy(grating(scene))

    def off(defocus):
        optics = still.optics.replace(defocus=defocus)
        dose = Turning(DoseOperator(optics, still.grid, Backend(dtype=torch.float64)), 6, True, 3)(light)
        cells = dose.reshape(12, 3, 12, 3, 20, 1).mean((1, 3, 5)).numpy()
        return float(np.sqrt(((cells - drawn)[whole] ** 2).mean()) / cells[whole].mean())

    known = still.optics.defocus
    assert isinstance(known, Astigmatism)
    assert off(known) < 0.0235
    for wrong in (
        None,
        replace(known, turn_rad=0.0),
        replace(known, per_mm=0.0),
        replace(known, focus_mm=0 * known.focus_mm),
        Defocus(known.per_mm),
    ):
        assert off(wrong) > 0.028


@pytest.mark.parametrize("outside", [1.0, 1.343, 1.6])
def test_the_focus_along_the_axis_is_that_of_a_plate(outside):
    """On the axis, by hand: a ray that rises by a small angle is refracted at two plane surfaces; it crosses the
    height of the ray through the middle where its height, counted from where both would meet outside, is made up."""
    inner, outer, wall, resin, rise = 5.0, 6.2, 1.48, 1.5, 1e-6
    height = -outer * rise  # where it enters, since it would come to 0 on the axis
    height += (outer - inner) * rise * outside / wall
    wanted = -height / (rise * outside / resin) - inner
    layers = RoundVial(inner, outer, outside, wall, resin)
    assert float(layers.focus_along_mm(torch.zeros(1, dtype=torch.float64))) == pytest.approx(wanted, abs=1e-9)


def test_the_focus_along_the_axis_off_the_middle_is_where_rays_meet():
    """Rays through one point of the plane of the axis, followed by vectors, meet along z where the chord's focus is."""
    inner, outer, outside, wall, resin = 3.0, 3.5, 1.0, 1.48, 1.5
    layers = RoundVial(inner, outer, outside, wall, resin)
    s = np.array([0.0, 0.8, -1.7, 2.5])
    ends = []
    for rise in (0.0, 1e-4):
        d = np.stack([0 * s, np.full(4, math.sqrt(1 - rise**2)), np.full(4, rise)])
        p = np.stack([s, 0 * s, 0 * s]) - 20.0 * d
        for radius, before, after in ((outer, outside, wall), (inner, wall, resin)):
            p = p + photons.to_cylinder(p, d, radius) * d
            d = photons.refract(d, np.stack([p[0], p[1], 0 * p[0]]) / radius, before, after)[0]
        along = d[:2] / np.linalg.norm(d[:2], axis=0)
        foot = -(p[:2] * along).sum(0)  # way in the plane to where it comes nearest to the axis
        slope = d[2] / np.linalg.norm(d[:2], axis=0)
        ends.append((p[2] + slope * foot, slope))
    (_, _), (height, slope) = ends
    found = layers.focus_along_mm(torch.from_numpy(s)).numpy()
    np.testing.assert_allclose(found, -height / slope, atol=1e-5)


def light_in(index_outside, defocus, columns=31, rows=24, pixel=0.2):
    vial = Vial(6.0, 20.0, index_outside, 0.5, 1.5)
    chords = Telecentric().chords(
        angle_rad=full_turn(90), columns=columns, rows=rows, pixel_mm=pixel, vial=vial,
        resin=Threshold(0.1, 30.0, 40.0, refractive_index=1.5),
    )  # fmt: skip
    return Optics(chords, 3.0, 0.1, Footprint("square", sigma=0.3), defocus=defocus)


def test_near_a_matched_bath_it_is_the_defocus_of_a_matched_bath():
    """Blur by direction and blur by distance from the axis are the same there, up to the bands and bins of both: less
    than a tenth of what the aperture changes, of light in bars."""
    cone = 0.2
    levels = torch.zeros(90, 31, 24, dtype=torch.float64)
    levels[::6, 12:16, 8:12] = 1
    grid = Grid((30, 30, 24), 0.2)
    near = light_in(1.4999, None)
    layers = RoundVial(3.0, 3.5, 1.4999, 1.5, 1.5)
    focus = layers.focus_along_mm(near.chords.offset_mm / layers.narrowing)
    assert float(focus.abs().amax()) < 1e-3
    directions = Directions.even(4, False, 2)
    doses = [
        DoseOperator(light, grid, Backend(dtype=torch.float64), directions=directions)(levels)
        for light in (
            near.replace(defocus=Astigmatism(cone, focus, cone / 2)), light_in("matched", Defocus(cone)), near
        )
    ]  # fmt: skip
    apart, changed = (float((doses[0] - other).norm()) for other in doses[1:])
    assert apart < 0.1 * changed


@pytest.mark.parametrize("tilted", [False, True])
def test_the_transpose_is_the_transpose(tilted):
    vial = Vial(3.2, 20.0, "air", 0.2, 1.48)
    chords = Telecentric().chords(
        angle_rad=full_turn(3, 0.1), columns=7, rows=3, pixel_mm=0.45, axis_offset_mm=0.07, vial=vial,
        resin=Threshold(0.3, 30.0, 40.0, refractive_index=1.5),
    )  # fmt: skip
    light = Optics(
        chords, 1.6, 0.3, Footprint("square", sigma=0.3), 0.2 + torch.rand(7, 3, dtype=torch.float64),
        Astigmatism(0.5, torch.linspace(-0.5, 0.9, 7, dtype=torch.float64), 0.4),
        tilt=Tilt(0.1, 2.9, 0.45) if tilted else None,
    )  # fmt: skip
    grid, matrices = Grid((5, 6, 3), 0.5), []
    for kernel in ("reference", "cpu"):
        a = DoseOperator(light, grid, Backend(kernel, dtype=torch.float64), directions=Directions.even(2, True))
        matrix = dense(a, a.pattern_shape)
        assert bool((matrix >= 0).all())
        torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=1e-12, atol=1e-14)
        matrices.append(matrix)
    torch.testing.assert_close(*matrices, rtol=1e-10, atol=1e-13)
    assert not a.slices_independent
    assert torch.autograd.gradcheck(a, (random(a.pattern_shape).requires_grad_(),), fast_mode=True)


def test_even_light_stays_even():
    """The aperture moves no light of an even picture, whose rows reach beyond the slices; 1e-5: the Gaussian's end."""
    plain = light_in("air", None, columns=60, rows=60)
    grid = Grid((30, 30, 12), 0.2)
    layers = RoundVial(3.0, 3.5, 1.0, 1.5, 1.5)
    focus = layers.focus_along_mm(plain.chords.offset_mm / layers.narrowing)
    ones = torch.ones(90, 60, 60, dtype=torch.float64)
    doses = [
        DoseOperator(light, grid, Backend(dtype=torch.float64), directions=Directions.even(2, True))(ones)
        for light in (plain, plain.replace(defocus=Astigmatism(0.1, focus, 0.05)))
    ]
    torch.testing.assert_close(doses[1], doses[0], rtol=1e-5, atol=1e-9)


def test_what_is_no_aperture_is_refused():
    focus = torch.zeros(3, dtype=torch.float64)
    for per_mm, focus_mm, turn_rad in ((-0.1, focus, 0.1), (0.1, focus, math.inf), (0.1, focus + math.nan, 0.1)):
        with pytest.raises(ShapeError, match="expected 0 or more"):
            Astigmatism(per_mm, focus_mm, turn_rad)
