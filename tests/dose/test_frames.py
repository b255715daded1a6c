"""Where light lands: axes, directions, and nothing off by half a pixel, for every even and odd count.

The frames are fixed in quantities/; each place here is worked out by hand from that text.
"""

import math

import pytest
import torch

from lightlathe.beams.telecentric import full_turn
from operators import operator, random

COUNTS = [8, 9]  # even and odd


def lit_columns(turn_rad: float, nx: int, ny: int, ns: int, pixel: float, column: int):
    """Dose of one lit column, rows above and below the slice, at one angle; nothing absorbed, voxels of 0.5 mm."""
    a = operator(
        (nx, ny, 1), 0.5, angles=1, columns=ns, rows=9, pixel=pixel, radius=90.0, absorption=0.0, first_rad=turn_rad
    )
    g = torch.zeros(a.pattern_shape, dtype=torch.float64)
    g[0, column] = 1
    return a, a(g)[:, :, 0]


@pytest.mark.parametrize("ns", COUNTS)
@pytest.mark.parametrize("ny", COUNTS)
@pytest.mark.parametrize("nx", COUNTS)
def test_a_lit_column_lands_where_it_should(nx, ny, ns):
    """Pixel = voxel: at angle 0, s is x, at 90 degrees y, at 180 -x; a column's light is a triangle one pixel wide."""
    x = (torch.arange(nx, dtype=torch.float64) - (nx - 1) / 2) * 0.5
    y = (torch.arange(ny, dtype=torch.float64) - (ny - 1) / 2) * 0.5
    for column in range(ns):
        place = (column - (ns - 1) / 2) * 0.5
        for turn, s in (
            (0, x[:, None].expand(nx, ny)),
            (math.pi / 2, y[None, :].expand(nx, ny)),
            (math.pi, -x[:, None].expand(nx, ny)),
            (0.7, x[:, None] * math.cos(0.7) + y[None, :] * math.sin(0.7)),
        ):
            _, dose = lit_columns(turn, nx, ny, ns, 0.5, column)
            triangle = (1 - (s - place).abs() / 0.5).clamp(min=0)
            # places are rounded to 1e-16, light between them is continuous
            torch.testing.assert_close(dose, triangle, rtol=0, atol=1e-12)


@pytest.mark.parametrize("ns", COUNTS)
@pytest.mark.parametrize("nx", COUNTS)
@pytest.mark.parametrize("ratio", [1 / 3, 1 / 2, 1.0, 2.0, 3.0])
def test_no_half_pixel_at_any_ratio(ratio, nx, ns):
    """A column's light is a triangle one pixel wide about its own place, read at the voxels' centres, at any ratio."""
    pixel, nx, ns = 0.5 * ratio, 6 * nx, math.ceil(10 / ratio) + ns
    x = (torch.arange(nx, dtype=torch.float64) - (nx - 1) / 2) * 0.5
    for column in range(ns):
        place = (column - (ns - 1) / 2) * pixel
        _, dose = lit_columns(0, nx, 4, ns, pixel, column)
        triangle = (1 - (x - place).abs() / pixel).clamp(min=0)
        # places are rounded to 1e-16 of 10 mm, and pixels of 0.125 mm make 1e-14 of that
        torch.testing.assert_close(dose, triangle[:, None].expand(nx, 4), rtol=0, atol=1e-12)


@pytest.mark.parametrize("rows", COUNTS)
@pytest.mark.parametrize("nz", COUNTS)
@pytest.mark.parametrize("ratio", [1 / 3, 1 / 2, 1.0, 2.0, 3.0])
def test_rows_land_at_their_height(ratio, nz, rows):
    """Row 0 is the lowest; row k lies at (k - (rows - 1) / 2) pixels, in slices of any other height."""
    pixel, nz, rows = 0.5 * ratio, 6 * nz, math.ceil(10 / ratio) + rows
    z = (torch.arange(nz, dtype=torch.float64) - (nz - 1) / 2) * 0.5
    a = operator((3, 3, nz), 0.5, angles=1, columns=41, rows=rows, pixel=pixel, radius=90.0, absorption=0.0)
    found = 0
    for row in range(rows):
        place = (row - (rows - 1) / 2) * pixel
        if abs(place) + 2 * max(pixel, 0.5) > z[-1] or abs(place) + 2 * 0.5 > (rows - 1) / 2 * pixel:
            continue
        g = torch.zeros(a.pattern_shape, dtype=torch.float64)
        g[0, :, row] = 1
        profile = a(g).sum((0, 1))
        assert float((profile * z).sum() / profile.sum()) == pytest.approx(place, abs=1e-9), (row, pixel)
        found += 1
    assert found > 3


def test_light_travels_along_y_at_angle_0_and_along_minus_x_at_90_degrees():
    """It grows weaker that way: exp(-0.4 * depth), depth counted from the circle of 90 mm, so by ratio."""
    for turn, dims in ((0.0, (0, 1)), (math.pi / 2, (1, 0))):
        a = operator((9, 9, 1), 0.5, angles=1, columns=15, rows=1, radius=90.0, absorption=0.04, first_rad=turn)
        dose = a(torch.ones(a.pattern_shape, dtype=torch.float64))[:, :, 0].permute(*dims)
        along = dose[4] if turn == 0 else dose[4].flip(0)  # through the axis, the way the light goes
        ratio = along[1:] / along[:-1]
        torch.testing.assert_close(ratio, torch.full_like(ratio, math.exp(-0.04 * 0.5)), rtol=1e-12, atol=0)


@pytest.mark.parametrize("ns", COUNTS)
@pytest.mark.parametrize("pixel", [0.5, 0.31, 0.83])
def test_half_a_turn_on_is_the_mirror_image(ns, pixel):
    """Without absorption the view from behind lights the same voxels, columns in reverse: entry by entry."""
    settings = {"angles": 1, "columns": ns, "pixel": pixel, "absorption": 0.0, "shape": (6, 7, 2), "radius": 2.0}
    front = operator(**settings, first_rad=0.3)
    behind = operator(**settings, first_rad=0.3 + math.pi)
    g = random(front.pattern_shape, torch.float64, 1)
    # cos(0.3 + pi) is -cos(0.3) to 1e-16; places move by as little
    torch.testing.assert_close(behind(g.flip(1)), front(g), rtol=0, atol=1e-14)
    assert float((behind(g) - front(g)).abs().max()) > 0.1  # without the reversal it is another dose


def test_with_absorption_the_view_from_behind_is_another():
    settings = {"angles": 1, "columns": 8, "shape": (6, 7, 2), "radius": 2.0, "absorption": 0.4}
    front, behind = operator(**settings, first_rad=0.3), operator(**settings, first_rad=0.3 + math.pi)
    g = torch.ones(front.pattern_shape, dtype=torch.float64)
    assert float((behind(g.flip(1)) - front(g)).abs().max()) > 0.1


@pytest.mark.parametrize("angles", [1, 2, 3, 7, 90, 360, 721])
@pytest.mark.parametrize("first", [0.0, 0.3, -4.0])
def test_a_turn_never_repeats_its_first_angle(angles, first):
    """Never both 0 and 360 degrees: neighbours are a turn / angles apart, the last and the first too."""
    turn = full_turn(angles, first)
    assert turn.dtype == torch.float64
    assert float(turn[0]) == first
    round_it = torch.cat([turn, turn[:1] + 2 * math.pi])
    torch.testing.assert_close(
        round_it.diff(), torch.full((angles,), 2 * math.pi / angles, dtype=torch.float64), rtol=1e-12, atol=0
    )


def test_the_whole_turn_is_seen_from_every_side_alike():
    """A quarter turn of the patterns' angles is a quarter turn of the dose: x to y, y to -x."""
    a = operator((7, 7, 2), 0.5, angles=8, columns=9, radius=1.6, absorption=0.3, first_rad=0.0)
    g = random(a.pattern_shape, torch.float64, 1)
    turned = a(g.roll(2, 0))
    torch.testing.assert_close(turned, torch.rot90(a(g), 1, (0, 1)), rtol=0, atol=1e-12)
