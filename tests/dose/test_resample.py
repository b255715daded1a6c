"""From pixels on chords to what kernels take: shares of light, rows on slices, shifted and bent chords."""

import math
from dataclasses import replace

import pytest
import torch

from lightlathe.beams.telecentric import full_turn
from lightlathe.dose import DoseOperator
from lightlathe.dose.taps import Taps, interpolation
from lightlathe.dose.to_views import plan
from lightlathe.quantities import Chords, Grid, Optics
from operators import operator, random

GRID = Grid((9, 9, 2), 0.5)
EPS = 1e-12  # float64 sums of some tens of numbers


def matrix(taps: Taps) -> torch.Tensor:
    return taps.apply(torch.eye(taps.inputs, dtype=torch.float64)).T


def chords(offset, *, angles=12, turn=0.0, share=1.0, rows=2) -> Chords:
    offset = torch.as_tensor(offset, dtype=torch.float64)
    return Chords(full_turn(angles), offset, turn + 0.0 * offset, share + 0.0 * offset, rows, 0.5)


def lit(c: Chords):
    return plan(Optics(c, 2.0, 0.3), GRID)


def light(c: Chords, absorption: float = 0.3) -> DoseOperator:
    return operator(GRID.shape, GRID.voxel_mm, chords=c, radius=2.0, absorption=absorption)


@pytest.mark.parametrize("spacing", [0.1, 0.37, 1.0, 1.9])
def test_even_light_stays_even_and_every_pixel_counts(spacing):
    sources = (torch.arange(60, dtype=torch.float64) - 29.5) * spacing
    at = torch.arange(-40, 41, dtype=torch.float64)
    weights = matrix(interpolation(at, sources, 1.0, spacing))
    covered = at.abs() <= float(sources[-1]) - max(1.0, spacing)
    torch.testing.assert_close(weights[covered].sum(1), torch.ones(int(covered.sum())).double(), rtol=0, atol=EPS)
    assert not weights[at.abs() > float(sources[-1]) + max(1.0, spacing)].any()
    seen = sources.abs() < 38
    assert bool((weights.sum(0)[seen] > 0).all())  # no pixel is dark for ever


def test_coarse_pixels_are_interpolated_linearly_even_or_not():
    """A straight line is read exactly between the outermost sources, by definition of linear interpolation."""
    sources = torch.tensor([-3.0, -1.2, 0.1, 1.0, 2.7], dtype=torch.float64)
    at = torch.linspace(-3, 2.7, 39, dtype=torch.float64)
    weights = matrix(interpolation(at, sources, 0.15, 1.0))
    torch.testing.assert_close(weights @ (2 * sources + 1), 2 * at + 1, rtol=0, atol=EPS)
    assert int((weights > 0).sum(1).max()) == 2


def test_a_transposed_map_is_the_transpose_and_twice_is_the_map():
    taps = interpolation(torch.arange(7).double(), torch.linspace(-1, 8, 23, dtype=torch.float64), 1.0, 1.0)
    torch.testing.assert_close(matrix(taps.transposed()), matrix(taps).T, rtol=0, atol=0)
    torch.testing.assert_close(matrix(taps.transposed().transposed()), matrix(taps), rtol=0, atol=0)
    y = random((3, 2, 23), torch.float64)
    torch.testing.assert_close(taps.apply(y), torch.einsum("oi,abi->abo", matrix(taps), y), rtol=0, atol=EPS)


@pytest.mark.parametrize("dtype", [torch.float32, torch.float64])
def test_the_ways_of_a_card_and_of_a_cpu_agree(dtype):
    """A card gathers tap by tap in torch, a CPU in compiled loops; both on the CPU here. 3 products, so 3 roundings."""
    taps = interpolation(torch.arange(7).double(), torch.linspace(-1, 8, 23, dtype=torch.float64), 1.0, 1.0)
    taps = taps.to(torch.device("cpu"), dtype)
    for shape in ((4, 23), (3, 2, 23), (0, 2, 23)):
        x = random(shape, dtype)
        found = taps.apply(x)
        wanted = torch.full_like(found, math.nan)
        taps._into(wanted, x)
        torch.testing.assert_close(found, wanted, rtol=0, atol=4 * torch.finfo(dtype).eps)
        assert found.shape == (*shape[:-1], 7)


@pytest.mark.parametrize(("rows", "late"), [(4, True), (5, False), (9, False)])
def test_rows_become_slices_before_or_after_alike(rows, late):
    """The back-projection acts on all slices alike, so it does not matter when. By hand: a slice reads the mean of the
    rows under a triangle of 0.5 mm to either side, dark ones beyond the last among them."""
    a = operator((4, 5, 5), 0.5, rows=rows, pixel=0.4, columns=9)
    assert a.resampling.late == late
    g = random(a.pattern_shape, torch.float64)
    z = (torch.arange(5).double() - 2) * 0.5
    row_z = (torch.arange(-3, rows + 3).double() - (rows - 1) / 2) * 0.4
    weights = (1 - (z[:, None] - row_z).abs() / 0.5).clamp(min=0)
    weights = (weights / weights.sum(1, keepdim=True).clamp(min=1e-9))[:, 3:-3]
    flat = operator((4, 5, 5), 0.5, rows=5, pixel=0.4, columns=9, row=0.5)
    assert flat.resampling.rows is None
    by_hand = torch.einsum("acr,zr->acz", g, weights)
    torch.testing.assert_close(a(g), flat(by_hand.contiguous()), rtol=0, atol=EPS)


def test_nothing_is_resampled_where_pixels_are_voxels():
    resampling, views = lit(chords((torch.arange(9) - 4) * 0.5))
    assert resampling.share is None
    assert resampling.rows is None
    assert (views.bins, views.bin_mm, views.middle_mm, views.lines) == (9, 0.5, 0.0, None)


def test_columns_stay_columns_wherever_they_lie():
    """Shifted, of any pitch: as many bins, their middle beside the axis. Bent or uneven: chords of their own."""
    even = (torch.arange(8).double() - 3.5) * 0.1
    _, views = lit(chords(even + 1e-6))
    assert (views.bins, views.lines) == (8, None)
    assert (views.bin_mm, views.middle_mm) == (pytest.approx(0.1, rel=1e-12), pytest.approx(1e-6, rel=1e-6))
    assert lit(chords(even))[1].middle_mm == 0.0  # an exact 0: views from behind are mirror images
    _, turned = lit(chords(even, turn=0.2))
    assert turned.lines is None
    torch.testing.assert_close(turned.angle_rad, full_turn(12) + 0.2)
    _, uneven = lit(chords(even + 0.01 * even**2))
    assert uneven.lines is not None
    torch.testing.assert_close(uneven.lines.offset_mm, even + 0.01 * even**2)


def test_chords_beside_the_axis_land_beside_it():
    """Eight columns shifted by one: the same light as nine of which the first is dark."""
    offset = (torch.arange(9) - 4) * 0.5
    whole, shifted = light(chords(offset)), light(chords(offset[1:]))
    g = random(shifted.pattern_shape, torch.float64)
    dark = torch.zeros(12, 1, 2, dtype=torch.float64)
    torch.testing.assert_close(shifted(g), whole(torch.cat([dark, g], 1)), rtol=0, atol=EPS)


@pytest.mark.parametrize("offset", [0.0, 0.8])
def test_one_column_anywhere(offset):
    a = light(chords([offset], angles=1), absorption=0.0)
    dose = a(torch.ones(a.pattern_shape, dtype=torch.float64))[:, 4, 0]
    x = GRID.centres_mm(0)
    assert float((dose * x).sum() / dose.sum()) == pytest.approx(offset, abs=1e-9)


def test_each_column_keeps_its_share():
    offset = (torch.arange(9) - 4) * 0.5
    share = torch.linspace(0.2, 1.0, 9, dtype=torch.float64)
    dimmed, full = light(chords(offset, share=share)), light(chords(offset))
    g = random(full.pattern_shape, torch.float64)
    torch.testing.assert_close(dimmed(g), full(g * share[None, :, None]), rtol=0, atol=EPS)


@pytest.mark.parametrize("backwards", [False, True])
def test_chords_all_turned_by_whole_steps_read_patterns_as_much_earlier(backwards):
    """Turned by two steps, views show the patterns of two angles before; where angles run backwards, of two later."""
    c = chords((torch.arange(9) - 4) * 0.5, turn=2 * 2 * math.pi / 12)
    straight = chords((torch.arange(9) - 4) * 0.5)
    sign = -1 if backwards else 1
    c, straight = replace(c, angle_rad=sign * c.angle_rad), replace(straight, angle_rad=sign * straight.angle_rad)
    g = random(c.pattern_shape, torch.float64)
    torch.testing.assert_close(light(c)(g), light(straight)(g.roll(2 * sign, 0)), rtol=0, atol=EPS)


def test_bent_chords_take_any_angles():
    """Half a turn, unevenly: each angle alone gives its share."""
    s = (torch.arange(9) - 4) * 0.5
    c = chords(s, turn=0.0)
    c = replace(c, deflection_rad=-0.1 * s.double(), angle_rad=torch.tensor([0.0, 0.3, 0.4, 3.0], dtype=torch.float64))
    g = random(c.pattern_shape, torch.float64)
    alone = [light(replace(c, angle_rad=a[None]))(p[None].contiguous()) for a, p in zip(c.angle_rad, g, strict=True)]
    torch.testing.assert_close(light(c)(g), sum(alone) / 4, rtol=0, atol=EPS)


def test_tables_are_made_once(monkeypatch):
    """Neither direction builds tables or moves them to the device: both were done when the operator was made."""
    a = operator(pixel=0.3, columns=13, rows=9)

    def forbidden(*_):
        raise AssertionError("tables built inside an iteration")

    monkeypatch.setattr(Taps, "of", forbidden)
    monkeypatch.setattr(Taps, "to", forbidden)
    a(torch.ones(a.pattern_shape, dtype=torch.float64))
    a.transpose(torch.ones(a.dose_shape, dtype=torch.float64))
