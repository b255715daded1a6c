"""Doses around opaque rods against closed forms and a ray march of the test's own; slices and their cross-sections."""

import math
import pickle
from dataclasses import replace

import numpy as np
import pytest
import torch
from dose_cases import runnable
from rods import levels_at, lit_share, rod, shadowed, with_shadows

from lightlathe.dose import DoseOperator, Turning
from lightlathe.dose.contours import segments
from lightlathe.errors import ShapeError
from lightlathe.quantities import Grid, Shadows
from operators import gap, operator, random

ROD, AT = 0.6, (0.9, -0.4)  # radius and place beside the axis, mm
VIAL = {"radius": 3.2, "voxel": 0.1, "pixel": 0.1, "columns": 68, "rows": 1, "angles": 360}
GRID = Grid((65, 65, 1), 0.1)


def marched(grid: Grid, angles: int, absorption: float, radius: float, at: tuple[float, float], vial: float):
    """(x, y) mean over a turn of even light around a rod: every ray is followed from the voxel back to the projector in
    steps of a fiftieth of a millimetre, until it is in the rod or out of the vial. numpy, float64."""
    x, y = (np.asarray(grid.centres_mm(axis)) for axis in (0, 1))
    x, y = (v[np.hypot(*np.meshgrid(x, y, indexing="ij")) < vial] for v in np.meshgrid(x, y, indexing="ij"))
    dose, way = np.zeros(len(x)), np.arange(0, 2 * vial, 0.02)
    for angle in 2 * np.pi * np.arange(angles) / angles:
        towards = math.sin(angle), -math.cos(angle)  # light travels to +t = (-sin, cos)
        px, py = x[:, None] + towards[0] * way, y[:, None] + towards[1] * way
        in_rod = (np.hypot(px - at[0], py - at[1]) < radius) & (np.hypot(px, py) < vial)
        depth = (np.hypot(px, py) < vial).sum(1) * 0.02 - 0.01  # the first point is the voxel's own
        dose += np.exp(-absorption * depth) * ~in_rod.any(1)
    return x, y, dose / angles


@pytest.mark.parametrize("absorption", [0.0, 0.3])
@pytest.mark.parametrize("at", [(0.0, 0.0), AT])
def test_even_light_around_a_rod_against_a_ray_march(at, absorption):
    """Two pixels off the rod and further the shares of light agree to 0.001 in the mean and 0.01 rms: light changes
    linearly from pixel to pixel, a penumbra in which the march, with 60 angles, sees all or nothing (1 / 60 a ray)."""
    a = shadowed(rod(GRID, ROD, at), (65, 65, 1), absorption=absorption, first_rad=0.0, **VIAL)
    dose = a(torch.ones(a.pattern_shape, dtype=torch.float64))[:, :, 0]
    x, y, wanted = marched(GRID, 60, absorption, ROD, at, 3.2)
    i, j = (torch.from_numpy(np.round(v / 0.1).astype(int) + 32) for v in (x, y))
    found, away = dose[i, j].numpy(), np.hypot(x - at[0], y - at[1])
    off = (found - wanted)[(away > ROD + 0.2) & (np.hypot(x, y) < 3.0)]
    assert len(off) > 1000
    assert abs(off.mean()) < 1e-3
    assert np.sqrt((off**2).mean()) < 0.01
    assert np.abs(off).max() < 0.03
    free = operator((65, 65, 1), absorption=absorption, first_rad=0.0, **VIAL)
    assert gap(free(torch.ones(a.pattern_shape, dtype=torch.float64))[i, j, 0], torch.from_numpy(wanted)) > 0.1


@pytest.mark.parametrize("at", [(0.0, 0.0), AT])
def test_without_absorption_a_rod_takes_asin_a_over_d_of_the_directions(at):
    """1 - asin(a / d) / pi of all directions are left at a distance d from the axis of a rod of radius a (geometry; the
    rod is seen under 2 asin(a / d)): to 0.003 in the mean of a ring, 0.016 in any voxel two pixels off."""
    a = shadowed(rod(GRID, ROD, at), (65, 65, 1), absorption=0.0, first_rad=0.0, **VIAL)
    lit = a(torch.ones(a.pattern_shape, dtype=torch.float64))[:, :, 0]
    x, y = GRID.centres_mm(0)[:, None] - at[0], GRID.centres_mm(1) - at[1]
    away = torch.sqrt(x.square() + y.square())
    for ring in (0.8, 0.9, 1.2, 1.8):
        there = ((away - ring).abs() < 0.05) & GRID.inside(3.0)
        off = lit[there] - lit_share(away[there], ROD)
        assert there.sum() > 30
        assert abs(float(off.mean())) < 0.003
        assert float(off.abs().max()) < 0.016
    touching = ((away - ROD - 0.1).abs() < 0.05) & GRID.inside(3.0)
    assert 0.6 < float(lit[touching].mean()) < float(lit_share(torch.tensor(0.75), ROD))
    inside = away < ROD - 0.1
    assert not lit[inside].any()


def test_the_outline_of_a_rod_is_a_circle():
    """Within 0.15 of a voxel anywhere, 0.03 of one in the mean: a covered fraction is the mean over a voxel, and
    between voxels it is taken to be linear. Outlines are closed: every end of a segment is the end of another."""
    for at in ((0.0, 0.0), AT, (0.013, 0.041)):
        shadows = Shadows.of(rod(GRID, ROD, at), GRID, 3.2)
        x, y, start = segments(shadows)
        away = np.hypot(x - at[0], y - at[1])
        assert start.tolist() == [0, len(x)]
        assert np.abs(away - ROD).max() < 0.015
        assert abs(away.mean() - ROD) < 0.003
        ends = np.round(np.stack([x.ravel(), y.ravel()], 1), 9)
        assert (np.unique(ends, axis=0, return_counts=True)[1] == 2).all()


def by_steps(shadows: Shadows, angle: float, offset: float, k: int) -> float:
    """The t at which a chord first comes where a half is covered, in steps of a 500th of a voxel; infinite if never."""
    t = np.arange(-6, 6, shadows.voxel_mm / 500)
    c, n = math.cos(angle), math.sin(angle)
    inside = levels_at(shadows, offset * c - t * n, offset * n + t * c, k) > 0.5 - 2**-10
    return float(t[inside.argmax()]) if inside.any() else math.inf


@pytest.mark.parametrize("bend", [0.0, 0.03])
def test_chords_end_where_they_enter_the_outline(bend):
    """To a step of the march: at the latest of three chords, its own and half a bin to either side, of those that enter
    no more than four bins behind its own; nowhere if its own does not. A chord that touches the outline at a corner may
    be out again within a step."""
    grid = Grid((21, 19, 3), 0.5)
    covered = torch.stack([rod(grid, 1.1, (0.6, -0.3), slice(0, 1)), rod(grid, 2.0, (-1.2, 0.7), slice(2, 3))]).amax(0)
    a = shadowed(covered, (21, 19, 3), 0.5, angles=7, columns=23, rows=3, pixel=0.43, radius=5.2, bend=bend)
    ends, views = a.views.ends, a.views
    assert (views.lines is None) == (bend == 0)
    met = grazed = 0
    for m, angle in enumerate(views.angle_rad.tolist()):
        for b in range(views.bins):
            turn = 0.0 if bend == 0 else float(views.lines.deflection_rad[b])
            offset = (b - views.middle_bins) * views.bin_mm if bend == 0 else float(views.lines.offset_mm[b])
            for k in range(2):
                at, half = b - ends.first_bin, views.bin_mm / 2
                own, *beside = (by_steps(ends.shadows, angle + turn, offset + s, k) for s in (0, -half, half))
                wanted = max(own, *(end if end <= own + 8 * half else own for end in beside))
                found = float(ends.t_mm[m, at, k]) if 0 <= at < ends.t_mm.shape[1] else math.inf
                met += wanted < math.inf
                grazed += found < math.inf and not abs(found - wanted) < 0.003 * 0.5
                assert wanted == math.inf or found < math.inf
    assert met > 60
    assert grazed <= 1


@pytest.mark.parametrize("kernel", runnable(torch.float32))
def test_an_insert_of_nothing_changes_nothing(kernel):
    """Bit for bit: no voxel half covered, or none in these slices; and slices without insert beside others with one."""
    a = operator((31, 29, 6), columns=33, rows=6, angles=9, radius=7.5, kernel=kernel, dtype=torch.float32)
    light, dose = random(a.pattern_shape, torch.float32, 1), random(a.dose_shape, torch.float32, 2)
    assert Shadows.of(0.49 * (rod(a.grid, 2.0) > 0), a.grid, 7.5) is None
    some = Shadows.of(rod(a.grid, 2.0, slices=slice(4, 6)), a.grid, 7.5)
    assert some.class_of_slice.tolist() == [-1, -1, -1, -1, 0, 0]
    below = with_shadows(a, some).of_slices(torch.tensor([0, 3]))
    assert below.views.ends is None
    assert torch.equal(below(light[:, :, [0, 3]].contiguous()), a(light)[:, :, [0, 3]])
    mixed = with_shadows(a, some)
    assert torch.equal(mixed(light)[:, :, :4], a(light)[:, :, :4])
    assert torch.equal(mixed.transpose(dose)[:, :, :4], a.transpose(dose)[:, :, :4])
    assert gap(mixed(light)[:, :, 4:], a(light)[:, :, 4:]) > 0.03


def test_slices_take_their_cross_sections_along():
    """Of some slices, one of them twice; on finer and coarser voxels; in a batch; all from the height of a slice."""
    grid = Grid((31, 29, 5), 0.5)
    covered = torch.stack([rod(grid, 1.5, (1.0, 0.0), slice(0, 2)), rod(grid, 2.5, slices=slice(3, 5))]).amax(0)
    a = shadowed(covered, grid.shape, 0.5, columns=33, rows=5, angles=9, radius=7.5)
    light = random(a.pattern_shape, seed=1).abs()
    classes = a.class_of_slice.tolist()
    assert classes[2] == -1
    assert classes[0] == classes[1] != classes[3] == classes[4]
    index = torch.tensor([4, 2, 0, 0])
    few = a.of_slices(index)
    assert torch.equal(few.class_of_slice, a.class_of_slice[index])
    assert gap(few(light[:, :, index].contiguous()), a(light)[:, :, index]) < 1e-14
    twice = few.of_slices(torch.tensor([3, 0, 1]))
    assert torch.equal(twice.class_of_slice, a.class_of_slice[[0, 4, 2]])
    assert a.on(grid.finer(3)).class_of_slice.tolist() == [c for c in classes for _ in range(3)]
    assert a.on(grid.finer(2)).class_of_slice.tolist() == [c for c in classes for _ in range(2)]
    assert a.on(grid.coarser(5)).class_of_slice.tolist() == [-1]
    fine = a.on(grid.finer(3))(light)  # every third slice and voxel of it is one of the own grid
    assert gap(fine[1::3, 1::3, 1::3], a(light)) < 1e-13
    batch = torch.stack([light, light.flip(0), 2 * light])
    assert torch.equal(a(batch), torch.stack([a(one) for one in batch]))
    assert torch.equal(a.transpose(a(batch)), torch.stack([a.transpose(a(one)) for one in batch]))
    assert torch.equal(torch.func.vmap(a)(batch), a(batch))
    assert torch.equal(pickle.loads(pickle.dumps(a))(light), a(light))


def test_rows_taller_than_slices_are_shared_before_they_are_lit():
    """Rows of three slices, of which the insert stands in some: the dose is that of each slice's own light."""
    grid = Grid((21, 19, 9), 0.5)
    covered = rod(grid, 1.5, slices=slice(0, 4))
    a = shadowed(covered, grid.shape, 0.5, columns=23, rows=3, angles=7, radius=5.2, row=1.5)
    light = random(a.pattern_shape, seed=1).abs()
    apart = shadowed(covered, grid.shape, 0.5, columns=23, rows=9, angles=7, radius=5.2, row=0.5)
    rows = torch.from_numpy(np.stack([np.interp(np.arange(9), [1, 4, 7], e) for e in np.eye(3)]))
    rows[0, 0], rows[2, 8] = 2 / 3, 2 / 3  # beyond the outermost row light falls to 0 within a row
    assert gap(a(light), apart(light @ rows)) < 1e-13
    whole = shadowed(rod(grid, 1.5), grid.shape, 0.5, columns=23, rows=3, angles=7, radius=5.2, row=1.5)
    all_slices = shadowed(rod(grid, 1.5), grid.shape, 0.5, columns=23, rows=9, angles=7, radius=5.2, row=0.5)
    assert whole.resampling.late
    assert not a.resampling.late
    assert gap(whole(light), all_slices(light @ rows)) < 1e-13


def test_a_vial_that_turns_on_casts_a_shadow_from_every_angle():
    """The mean over the parts of a step is that of operators at their angles, each with its own ends."""
    grid = Grid((31, 31, 2), 0.2)
    a = shadowed(rod(grid, 0.7, (0.5, 0.3)), grid.shape, 0.2, columns=33, rows=2, pixel=0.2, angles=12, radius=3.1)
    light, step = random(a.pattern_shape, seed=1).abs(), 2 * math.pi / 12
    wanted = 0.0
    for part in range(5):
        angle = a.optics.chords.angle_rad + step * ((part + 0.5) / 5 - 0.5)
        wanted = wanted + DoseOperator(a.optics.replace(angle_rad=angle), grid, a.backend, gain=a.gain / 5)(light)
    turning = Turning(a, 5)
    assert gap(turning(light), wanted) < 1e-14
    assert torch.equal(turning.class_of_slice, a.class_of_slice)
    assert gap(turning(light), a(light)) > 0.01
    dose = random(a.dose_shape, seed=2)
    assert float((turning(light) * dose).sum()) == pytest.approx(
        float((light * turning.transpose(dose)).sum()), abs=1e-9
    )


def test_what_shadows_must_be():
    covered, which = torch.full((3, 3, 2), 255, dtype=torch.uint8), torch.tensor([0, 1, -1])
    good = Shadows(covered, 0.1, (0.0, 0.0), which, 0.3)
    with pytest.raises(ShapeError, match=r"covered is torch.float32 of shape \(3, 3, 2\); expected uint8"):
        replace(good, covered=covered.float())
    with pytest.raises(ShapeError, match=r"class_of_slice holds \[-1, 0, 2\].*one of 2 classes"):
        replace(good, class_of_slice=torch.tensor([0, 2, -1]))
    with pytest.raises(ShapeError, match=r"slice_mm is 0; expected a length above 0 mm"):
        replace(good, slice_mm=0)
    with pytest.raises(ShapeError, match=r"covered has shape"):
        Shadows.of(torch.zeros(3, 3, 3), GRID, 3.2)
