"""The fan of a lens: closed forms, and rays followed in space by vectors."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st

from diverging_rays import Scene, aimed_at
from lightlathe.beams import Diverging, RoundVial, Telecentric, full_turn
from lightlathe.errors import JobError
from lightlathe.job.vial import Vial
from lightlathe.quantities import Chords

R, RESIN = 5.0, SimpleNamespace(refractive_index=1.5, absorption_per_mm=0.1)
MATCHED = Vial(2 * R, 10.0, surroundings="matched")


def chords(beam, vial=MATCHED, columns=61, rows=5, pixel=0.2, **more) -> Chords:
    size = {"columns": columns, "rows": rows, "pixel_mm": pixel}
    return beam.chords(angle_rad=full_turn(4), **size, vial=vial, resin=RESIN, **more)


@pytest.mark.parametrize(("throw_ratio", "degrees"), [(1.0, 26.565), (1.4, 19.654), (2.0, 14.036)])
def test_half_angles(throw_ratio, degrees):
    """atan(1 / (2 throw ratio)), as projectors' data sheets define the ratio; the degrees by a pocket calculator."""
    beam = Diverging(throw_ratio=throw_ratio)
    assert math.degrees(beam.half_angle_rad(640, 0.07)) == pytest.approx(degrees, abs=5e-4)
    edge = chords(beam, columns=2001, pixel=0.01)
    assert math.degrees(-float(edge.deflection_rad[-1])) == pytest.approx(degrees, abs=0.02)  # half a pixel further in


def test_a_fan_in_a_matched_bath():
    """s = L sin(gamma), theta = phi + gamma (Kak & Slaney 1988, 3.4.3); the ray that touches a vial of L = 5 R has
    gamma = asin(1 / 5) = 11.537 degrees. Rows are aimed at the plane of the axis: M = 1 there along each ray."""
    distance = 5 * R
    found = chords(Diverging(distance_mm=distance), columns=121)
    s = (torch.arange(121, dtype=torch.float64) - 60) * 0.2
    gamma = (s / distance).atan()
    torch.testing.assert_close(found.offset_mm, distance * gamma.sin())
    torch.testing.assert_close(found.deflection_rad, -gamma)
    touching = np.interp(R, found.offset_mm.numpy(), np.degrees(-found.deflection_rad.numpy()))
    assert touching == pytest.approx(11.537, abs=1e-3)
    m = found.magnification
    assert m is not None
    torch.testing.assert_close(m.at_foot, gamma.cos() ** 2)  # the foot is L cos(gamma) away, the plane L / cos(gamma)
    torch.testing.assert_close(m.per_mm, gamma.cos() / distance)
    spacing = (found.offset_mm[2:] - found.offset_mm[:-2]) / 2
    torch.testing.assert_close(found.transmittance[1:-1], 0.2 / spacing)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    distance=st.floats(15, 200),
    wall=st.sampled_from([0.0, 0.7, 1.5]),
    outside=st.sampled_from([1.0, 1.343, 1.5, 1.6]),
    window=st.sampled_from([None, 7.5, 12.0]),
    lens=st.tuples(st.floats(-4, 4), st.floats(-8, 8)),
    axis=st.floats(-0.5, 0.5),
)
def test_chords_are_those_of_rays_in_space(distance, wall, outside, window, lens, axis):
    """Random geometries. In the plane across the axis: offset, direction and light of every column, to rounding. Up and
    down, rays that hardly rise: their height at the wall and the slope from there."""
    vial = Vial(2 * R, 10.0, surroundings=outside, wall_mm=wall, wall_index=1.48 if wall else None)
    beam = Diverging(distance_mm=distance, lens_height_mm=lens[1], lens_offset_mm=lens[0], window_mm=window)
    found = chords(beam, vial, axis_offset_mm=axis)
    scene = Scene(R, R + wall, distance, lens[0] + axis, lens[1], window, outside, 1.48 if wall else outside, 1.5)
    s = (np.arange(61) - 30) * 0.2 + axis
    flat = aimed_at(s, np.full(61, lens[1]), scene)
    enters = flat.power > 0
    x, t = flat.entry[enters, 0], flat.entry[enters, 1]
    ds, dt = flat.direction[enters, 0], flat.direction[enters, 1]
    np.testing.assert_allclose(found.offset_mm.numpy()[enters], x * dt - t * ds, atol=1e-9)
    np.testing.assert_allclose(found.deflection_rad.numpy()[enters], np.arctan2(-ds, dt), atol=1e-9)
    # a column carries the mean over its width; the light at 32 places there, one by one
    places = (s[:, None] + ((np.arange(32) + 0.5) / 32 - 0.5) * 0.2).ravel()
    mean = aimed_at(places, np.full(len(places), lens[1]), scene).power.reshape(61, 32).mean(1)
    spacing = (found.offset_mm[2:] - found.offset_mm[:-2]) / 2
    straight = outside == 1.5 and wall == 0  # what passes such a vial by is light all the same
    here = np.abs(found.offset_mm[1:-1].numpy()) < (R - 0.3 if straight else math.inf)
    kept = (found.transmittance[1:-1] * spacing / 0.2).numpy()
    np.testing.assert_allclose(kept[here], mean[1:-1][here], atol=1e-9)
    rising = aimed_at(s, np.full(61, lens[1] + 1e-4), scene)
    m = found.magnification
    depth = x * ds + t * dt  # along the chord, counted from its foot
    at_wall = (m.at_foot.numpy()[enters] + m.per_mm.numpy()[enters] * depth) * 1e-4 + lens[1]
    np.testing.assert_allclose(rising.entry[enters, 2], at_wall, atol=1e-9)
    slope = (rising.direction[:, 2] / np.hypot(*rising.direction[:, :2].T))[enters]
    np.testing.assert_allclose(slope, m.per_mm.numpy()[enters] * 1e-4, atol=1e-9)


@pytest.mark.parametrize(("around", "window"), [("matched", None), ("air", None), ("water", 15.0)])
@pytest.mark.parametrize(("height", "allowed_mm"), [(0.0, 0.002), (30.0, 0.1)])
def test_the_error_of_small_angles(around, window, height, allowed_mm):
    """A vial of 20 mm, the lens at 150 mm, rows up to 10 mm from the middle: where exact rays are at the far wall and
    where the magnification has them. A lens 30 mm above makes rays steeper, and the error sixty times as large."""
    wall = {"wall_mm": 1.0, "wall_index": 1.48} if around != "matched" else {}
    vial = Vial(20.0, 30.0, surroundings=around, **wall)
    beam = Diverging(distance_mm=150.0, lens_height_mm=height, window_mm=window)
    found = chords(beam, vial, columns=121, pixel=0.2)
    n = 1.5 if around == "matched" else 1.0 if around == "air" else 1.343
    scene = Scene(10.0, 10.0 + wall.get("wall_mm", 0.0), 150.0, 0.0, height, window, n, wall.get("wall_index", n), 1.5)
    s, m, worst = (np.arange(121) - 60) * 0.2, found.magnification, 0.0
    d = found.offset_mm.numpy()
    for z in (-10.0, 10.0):
        rays = aimed_at(s, np.full(121, z), scene)
        inside = (rays.power > 0) & (np.abs(d) < 8)
        ds, dt, dz = rays.direction[inside].T
        passed = -2 * (rays.entry[inside, 0] * ds + rays.entry[inside, 1] * dt) / (ds**2 + dt**2)
        exact = rays.entry[inside, 2] + passed * dz
        depth = np.sqrt(100 - d[inside] ** 2)
        found_z = height + (z - height) * (m.at_foot.numpy()[inside] + m.per_mm.numpy()[inside] * depth)
        worst = max(worst, np.abs(exact - found_z).max())
    assert worst < allowed_mm


def test_far_away_it_is_parallel():
    """Offset and direction of every column tend to those of parallel light, in proportion to 1 / distance."""
    vial = Vial(2 * R, 10.0, surroundings="air", wall_mm=1.0, wall_index=1.48)
    parallel = chords(Telecentric(), vial)
    off = [
        float((chords(Diverging(distance_mm=mm), vial).deflection_rad - parallel.deflection_rad)[20:41].abs().max())
        for mm in (500.0, 1000.0)
    ]
    assert off[0] / off[1] == pytest.approx(2, rel=0.02)
    far = chords(Diverging(distance_mm=1e3, lens_height_mm=0.0), vial)
    torch.testing.assert_close(far.offset_mm[20:41], parallel.offset_mm[20:41], rtol=0, atol=1e-2)
    torch.testing.assert_close(far.transmittance[20:41], parallel.transmittance[20:41], rtol=0, atol=2e-2)


def test_the_bath_in_front_of_a_vial():
    """Behind a flat window rays are less steep: near the axis, by paraxial optics, the picture is w (1 - 1 / n) / D
    smaller at the axis (Born & Wolf, 4.4.2, refraction at a plane)."""
    vial = Vial(2 * R, 10.0, surroundings="matched")
    beam = Diverging(distance_mm=60.0, window_mm=12.0)
    found = chords(beam, vial, columns=3, pixel=0.01)
    wanted = 1 - 12 * (1 - 1 / 1.5) / 60
    assert float(found.offset_mm[2]) / 0.01 == pytest.approx(wanted, rel=1e-6)


def test_an_axis_beside_the_middle_of_the_picture():
    """Width about the axis: twice the distance at which the light ends on the side that is nearer, L sin(gamma) of the
    outer edge of the last pixel (Kak & Slaney 1988, 3.4.3); the lens stays before the picture's middle."""
    beam, layers = Diverging(distance_mm=40.0), RoundVial(R, R, 1.0, 1.0, 1.0)
    edge = 61 * 0.2 / 2 - 1.5
    way = (edge + 1.5) / 40  # slope of the last ray
    wanted = 2 * edge * math.cos(math.atan(way))
    assert beam.width_mm(61, 0.2, layers, 1.5) == pytest.approx(wanted)
    found = chords(beam, columns=61, axis_offset_mm=-1.5)
    assert beam.width_mm(61, 0.2, layers, 1.5) / 2 == pytest.approx(float(found.offset_mm[-1]), abs=0.11)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({}, "neither of throw_ratio and distance_mm"),
        ({"throw_ratio": 1.4, "distance_mm": 100.0}, "both of throw_ratio and distance_mm"),
        ({"throw_ratio": -1.4}, "above 0"),
        ({"distance_mm": 5.5}, "inside the vial"),
        ({"distance_mm": 50.0, "window_mm": 5.5}, "window_mm is 5.5"),
        ({"distance_mm": 50.0, "window_mm": 60.0}, "between the vial's outside"),
    ],
)
def test_what_cannot_be_is_refused(keys, words):
    vial = Vial(2 * R, 10.0, surroundings="air", wall_mm=1.0, wall_index=1.48)
    with pytest.raises(JobError, match=words):
        chords(Diverging(**keys), vial)
