"""Proven limits of the window: against closed forms, and against windows that linear programs really reach."""

import math

import pytest
import torch
from scipy.optimize import brentq
from widest_window import best_window

from lightlathe.feasibility import limits
from lightlathe.feasibility.limits import any_ray_limit, disc_limit, nearest_mm, speck_limit, strip_limit


def places(n):
    x = (torch.arange(n, dtype=torch.float64) - (n - 1) / 2) * 2 / n
    return x[:, None], x[None, :], torch.hypot(x[:, None], x[None, :])


@pytest.mark.parametrize(("c", "zero"), [(0.25, 2.85), (0.5, 2.28), (0.75, 2.0)])
def test_never_weaker_than_the_closed_form_of_an_even_disc(c, zero):
    """w <= 1 - a c^2 cosh(a) / (2 sinh(a c)); zero near 2.85, 2.28, 2.0 (source: the project's findings)."""
    for a in (0.2, 1.0, zero, 4.0):
        assert disc_limit(a, 1.0, c) <= 1 - a * c * c * math.cosh(a) / (2 * math.sinh(a * c)) + 1e-12
    assert disc_limit(1.03 * zero, 1.0, c) < 0  # 3 digits of zero


# Widest windows at 32 voxels, 96 angles, by a linear program. Source: the project's quality findings, section 5.
CLIFF = [(0.25, 2.7, 0.012), (0.25, 2.8, -0.078), (0.5, 2.1, 0.038), (0.5, 2.2, -0.030), (0.75, 1.8, 0.039)]
CLIFF += [(0.75, 1.9, -0.006), (0.75, 2.0, -0.055)]


@pytest.mark.parametrize(("c", "a", "window"), CLIFF)
def test_above_the_windows_of_linear_programs_near_the_cliff(c, a, window):
    """Half a voxel given away at wall and surface, the limit stands above what was reached, and near it."""
    limit = disc_limit(a, 1 - 1 / 32, c - 1 / 32)
    assert window - 2e-3 < limit < window + 0.1  # figures have 3 digits; a limit far above would be no use


SHAPES = {
    "disc": lambda x, y, r: r <= 0.55,
    "ring": lambda x, y, r: (r < 0.6) & (r > 0.3),
    "aside": lambda x, y, r: torch.hypot(x - 0.4, y) < 0.25,
    "comb": lambda x, y, r: (x.abs() < 0.6) & (y.abs() < 0.5) & ((((x + 1) * 6).floor() % 2 == 0) | (y < -0.2)),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("a", [1.0, 2.4, 4.0])
def test_strips_hold_for_any_shape(name, a):
    """No linear program gets past the limit of its slice, on either side of the cliff (16 voxels, 36 angles)."""
    n = 16
    solid = SHAPES[name](*places(n))
    limit = strip_limit(solid, 2 / n, 1 - 1 / n, a)
    reached = best_window(solid, a, 36)
    assert limit >= reached
    assert speck_limit(a, 1.0, 0.65, 1 / n) >= reached


def test_strips_give_their_stated_error_away(monkeypatch):
    """Where the bare sums say just below 0 (to -0.01) nothing is excluded; a little darker it is."""
    _, _, r = places(48)
    ring = (r < 0.6) & (r > 0.3)

    def bare(a):
        with monkeypatch.context() as patch:
            patch.setattr(limits, "STRIP_ERROR", 0.0)
            return strip_limit(ring, 1 / 24, 1.0, a)

    below = brentq(lambda a: bare(a) + 0.005, 0.5, 6.0)
    far_below = brentq(lambda a: bare(a) + 0.02, 0.5, 6.0)
    assert strip_limit(ring, 1 / 24, 1.0, below) > 0
    assert strip_limit(ring, 1 / 24, 1.0, far_below) < 0


def test_a_linear_program_can_fail_the_limit():
    """The comparison is not empty: a limit for the wrong absorption is overtaken."""
    solid = SHAPES["disc"](*places(16))
    assert strip_limit(solid, 1 / 8, 15 / 16, 4.0) < best_window(solid, 1.0, 36)


def test_strips_and_disc_agree_on_a_disc():
    """Same weights, one in closed form, one on 48 voxels, where points in strips cost up to a fifth of the ratio."""
    _, _, r = places(96)
    for a in (0.5, 1.5, 2.5):
        strips, disc = 1 - strip_limit(r <= 0.5, 1 / 48, 1.0, a), 1 - disc_limit(a, 1.0, 0.5)
        assert 0.75 * disc < strips < 1.02 * disc


def test_any_shape_is_excluded_far_below_the_light():
    """A layer-printing resin, 0.11 mm in a radius of 8 mm: whatever lies 3 mm inside, a speck of 0.05 mm included."""
    assert speck_limit(1 / 0.11, 8.0, 5.0, 0.05) < 0
    assert speck_limit(1 / 0.11, 8.0, 7.9, 0.05) > 0.9  # right under the wall nothing is proven


def test_no_overflow():
    assert math.isfinite(disc_limit(1e4, 1.0, 0.5))
    assert math.isfinite(speck_limit(1e4, 1.0, 0.5, 0.01))
    assert disc_limit(1.0, 1.0, 1e-12) == pytest.approx(1.0)


def test_an_empty_slice_says_nothing():
    assert math.isnan(strip_limit(torch.zeros(8, 8, dtype=torch.bool), 0.1, 1.0, 1.0))


def test_strips_hold_for_random_shapes():
    """Blobs, bars and loose voxels at mu R from 1 to 6 (16 voxels, 36 angles): none gets past its limit."""
    rng = torch.Generator().manual_seed(5)

    def draw(low, high):
        return low + (high - low) * float(torch.rand((), generator=rng))

    x, y, r = places(16)
    excluded = 0
    for number in range(36):
        a, reach, turn = draw(1, 6), draw(0.4, 0.8), draw(0, math.pi)
        if number % 3 == 0:
            noise = torch.rand(1, 1, 5, 5, generator=rng, dtype=torch.float64)
            smooth = torch.nn.functional.interpolate(noise, size=(16, 16), mode="bilinear")[0, 0]
            solid = smooth > smooth.quantile(draw(0.5, 0.9))
        elif number % 3 == 1:
            solid = (x * math.cos(turn) + y * math.sin(turn) - draw(0, 0.5)).abs() < draw(0.06, 0.2)
        else:
            solid = torch.rand(16, 16, generator=rng) < 0.05
        solid = solid & (r < reach)
        if not bool(solid.any()):
            continue
        limit, reached = strip_limit(solid, 2 / 16, 1 - 1 / 16, a), best_window(solid, a, 36)
        assert limit >= reached
        excluded += limit <= 0
    assert excluded >= 3  # the claim that matters is made for some


@pytest.mark.parametrize(("absorption", "off"), [(0.5, 0.0), (1.5, 0.0), (1.5, 3.0), (2.5, 6.0)])
def test_light_from_everywhere_into_one_ball_stays_below_the_limit_for_any_rays(absorption, off):
    """Ray by ray: light from random places of the wall, all of it aimed at the middle of a ball of the part."""
    wall, height, ball = 8.0, 20.0, 0.05
    numbers = torch.rand(2, 20_000, dtype=torch.float64, generator=torch.Generator().manual_seed(1))
    turn, z = 2 * math.pi * numbers[0], (numbers[1] - 0.5) * height
    way = torch.stack([off - wall * turn.cos(), -wall * turn.sin(), -z])  # from the wall to the ball
    length = way.norm(dim=0)
    inward = -(way[0] * turn.cos() + way[1] * turn.sin()) / length
    at_wall = (1 / inward).mean() / (2 * math.pi * wall * height)  # fluence rate of light that crosses at a slant
    arrives = (-absorption * (length - ball)).exp() * (1 - math.exp(-2 * absorption * ball)) / absorption
    in_ball = arrives.mean() / (4 / 3 * math.pi * ball**3)
    limit = any_ray_limit(absorption, wall, off, ball, height)
    assert float(1 - at_wall / in_ball) < limit
    level = torch.full(
        (2000,), wall - off, dtype=torch.float64
    )  # the least way, level and straight: what it allows for
    best = (-absorption * (level - ball)).exp() * (1 - math.exp(-2 * absorption * ball)) / absorption
    flat = 1 / (2 * math.pi * wall * height) / (best.mean() / (4 / 3 * math.pi * ball**3))
    assert 1 - limit == pytest.approx(float(flat), rel=0.15)  # 2 mu ball is up to 0.25, taken to first order there


def test_the_nearest_place_of_a_part_is_not_put_too_near():
    solid = torch.zeros(11, 11, 3, dtype=torch.bool)
    solid[9, 5, 1] = True
    assert nearest_mm(solid, 0.1) == pytest.approx(0.4 + 0.1 / math.sqrt(2))
    assert math.isinf(nearest_mm(torch.zeros_like(solid), 0.1))
