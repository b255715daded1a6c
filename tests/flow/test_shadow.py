"""Inserts: what their shadow may cost, against closed forms; room, grid and record of a job that has one."""

import dataclasses
import math

import h5py
import numpy as np
import pytest
import torch
from scipy.integrate import quad

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.dose import Directions
from lightlathe.feasibility import case_of, parts_lines, verdict_on
from lightlathe.flow.shadow import _scene, as_parallel, designed_shadow, even_shadow
from lightlathe.flow.solids import lay_out, load_solids
from lightlathe.job import parse_job
from lightlathe.part import SHAPES, fit
from lightlathe.quantities import Patterns
from lightlathe.result import read_result, write_result

ROD = '[[part]]\nrole = "insert"\nshape = { kind = "cylinder", radius_mm = 1.0, height_mm = 40.0 }\n'


def job_of(text, tmp_path):
    job = parse_job(text, name="rod", folder=tmp_path)
    solids, said = load_solids(job)
    return job, solids, said


@pytest.fixture
def with_rod(small_job):
    """A disc of 2 mm radius on a rod of 1 mm radius, which sticks out of the resin; voxels of 0.0625 mm."""

    def text(rod=ROD, **changes):
        head, rest = small_job(**changes).split("[vial]")
        rest = rest.replace("voxel_mm = 0.25", "voxel_mm = 0.0625")
        return head.replace("[part]", "[[part]]") + rod + "[vial]" + rest

    return text


def lost_by_hand(away, radius=1.0, wall=5.0, absorption=0.1):
    """Share of even light from all around that a rod on the axis takes from a point `away` from the axis: directions
    within asin(radius / away) of the rod's are dark, and light is weakened by the resin it has passed."""

    def arrives(angle):  # to the direction of the axis; depth = chord from the wall to the point
        s, t = away * math.sin(angle), away * math.cos(angle)
        return math.exp(-absorption * (math.sqrt(wall**2 - s**2) + t))

    edge = math.asin(radius / away)
    return quad(arrives, -edge, edge)[0] / (quad(arrives, -math.pi, -edge)[0] + 2 * quad(arrives, -edge, edge)[0] / 2
                                            + quad(arrives, edge, math.pi)[0])  # fmt: skip


@pytest.mark.parametrize("absorption", [1e-6, 0.1, 0.4])
def test_the_shadow_of_a_rod_in_even_light(with_rod, tmp_path, absorption):
    """Without absorption asin(r / d) / pi of the light is lost at distance d. Places on a ring differ by the 120 angles
    and by half a voxel of the rod's edge: 0.02 of the light at most, and 0.005 in the mean over a ring."""
    job, solids, _ = job_of(with_rod(absorption=absorption), tmp_path)
    grid = lay_out(job, solids).grid
    scene = _scene(job, solids, grid)
    radius = scene.grid.radius_mm()
    full, left = torch.zeros(scene.solid.shape), torch.zeros(scene.solid.shape)
    for n in range(120):
        angle = 2 * math.pi * n / 120
        light = scene._light(angle, None, (math.nan, math.nan))
        full, left = full + light, left + light * ~scene._dark(angle)
    lost = 1 - left / full
    for away in (1.2, 1.5, 1.9):
        ring = ((radius - away).abs() < 0.05)[:, :, None] & scene.solid
        wanted = lost_by_hand(away, absorption=absorption)
        assert float(lost[ring].mean()) == pytest.approx(wanted, abs=0.005)
        assert float((lost[ring] - wanted).abs().max()) < 0.03
    assert lost_by_hand(1.5, absorption=1e-9) == pytest.approx(math.asin(1 / 1.5) / math.pi)
    shadow = even_shadow(job, solids, grid)
    assert lost_by_hand(1.1, absorption=absorption) < shadow.lost < 0.53  # half of all directions, and three of 120
    assert "not computed" in shadow.text()


@pytest.mark.parametrize("bare", [False, True])
def test_the_light_of_an_estimate_is_the_operators_light(with_rod, tmp_path, bare):
    """With nothing in its way, the dose that the estimate sums up is the dose operator's; float32 and the same linear
    interpolation, so 1e-4 of the largest. Into a bare vial too, by one view for each image."""
    text = with_rod().replace("pixel_mm = 0.25", "pixel_mm = 0.0625").replace("columns = 40", "columns = 160")
    if bare:
        text = text.replace("[vial]", '[vial]\nsurroundings = "air"\nwall_mm = 0')
        text = text.replace("[resin]", "[resin]\nrefractive_index = 1.5")
    job, solids, _ = job_of(text, tmp_path)
    setup = pipeline.prepare(job)
    generator = torch.Generator().manual_seed(1)
    levels = torch.randint(0, 256, setup.operator.pattern_shape, generator=generator).to(torch.uint8)
    shown = Patterns(
        levels, setup.operator.optics.chords.angle_rad, 255, 0.0625, 20.0, 10 / 60, turns=2, lit=setup.field
    )
    gain = 10 * 0.1 * 20.0 * shown.exposure_s / 60
    dose = setup.operator.towards(Directions()).scaled(gain)(levels / 255)
    scene = _scene(job, solids, setup.part.grid)
    light, across_mm, _ = as_parallel(job, shown)
    assert across_mm == pytest.approx(0.0625 / (1.5 if bare else 1))
    sums = sum(scene._light(float(a), light[n], (across_mm, 0.0625)) for n, a in enumerate(shown.angle_rad))
    k = [int((setup.part.grid.centres_mm(2) - z).abs().argmin()) for z in scene.z_mm]
    there = scene.solid
    assert float((gain * sums - dose[:, :, k])[there].abs().max()) < 1e-4 * float(dose.max())


def test_a_design_is_told_what_a_shadow_would_cost(with_rod, tmp_path, monkeypatch, capsys):
    """In the summary and in the file; what stays liquid is some share between none and all."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rod.toml").write_text(with_rod(iterations=5).replace("0.0625", "0.125"))
    assert main(["check", "rod.toml"]) == 3
    said = capsys.readouterr().out
    assert "watch   insert: Light is taken to pass through the insert" in said
    assert "place: all of the part is inside" in said
    assert "  assumed The bath" in said
    assert main(["design", "rod.toml"]) in (0, 3, 4)
    said = capsys.readouterr().out
    assert "warning     Light is taken to pass through the insert" in said
    for words in (
        "assumed     The bath",
        "assumed     The beam is parallel",
        "pixels light changes linearly",
        "No lens blurs",
    ):
        assert words in said
    record = read_result("rod.lathe.h5")
    job, solids, _ = job_of((tmp_path / "rod.toml").read_text(), tmp_path)
    shadow = designed_shadow(job, solids, record.part.grid, record.patterns)
    assert 0 < shadow.liquid < 1
    assert 0 < shadow.weakest[1] < shadow.weakest[0]
    assert shadow.text() in record.warnings


def test_an_insert_below_the_part_costs_nothing(with_rod, tmp_path):
    """Light is horizontal: what stands in no slice of the part casts no shadow on it."""
    rod = ROD.replace("height_mm = 40.0", "height_mm = 2.0, at_mm = [0.0, 0.0, -3.0]")
    job, solids, _ = job_of(with_rod(rod), tmp_path)
    (reason,) = verdict_on(case_of(job, solids)).of("insert")
    assert (reason.level, reason.number) == ("will work", 0.0)
    none, bare, _ = job_of(with_rod(""), tmp_path)
    assert verdict_on(case_of(none, bare)).of("insert") == []


def test_an_insert_that_sticks_out_is_normal(with_rod, tmp_path):
    """40 mm of rod in 12 mm of resin and 5 mm of light: no problem, and no taller grid. One wider than the vial is."""
    rod = SHAPES["cylinder"](1.0, 40.0)
    assert fit(rod, 5.0, 12.0, 10.0, 5.0, insert=True).problems == ()
    assert fit(rod, 5.0, 12.0, 10.0, 5.0).problems != ()
    wide = fit(SHAPES["cylinder"](6.0, 40.0), 5.0, 12.0, 10.0, 5.0, insert=True).problems
    assert wide[0].startswith("The insert reaches 1 mm beyond the vial's inner radius of 5 mm")
    job, solids, said = job_of(with_rod(), tmp_path)
    bare = job_of(with_rod(""), tmp_path)
    assert lay_out(job, solids).grid == lay_out(bare[0], bare[1]).grid
    assert case_of(job, solids).part.possible_mistakes == ()
    lines = parts_lines(job, solids, said)
    assert not any(line.startswith("warning") for line in lines)
    assert any("thinnest wall 0.9" in line for line in lines)  # 1 mm from rod to outside; aslant up to 8 % less


def test_the_insert_is_in_the_record(with_rod, tmp_path):
    """/part/insert holds its covered fraction; files without it are read as before."""
    job, _, _ = job_of(with_rod(iterations=2).replace("0.0625", "0.25") + "bound_iterations = 0\n", tmp_path)
    record = pipeline.design(job)
    again = read_result(write_result(record, tmp_path / "rod.h5"))
    torch.testing.assert_close(again.part.insert, record.part.insert, rtol=0, atol=0.5 / 255)
    area = float(again.part.insert[:, :, again.part.grid.shape[2] // 2].sum()) * 0.25**2
    assert area == pytest.approx(math.pi, rel=0.01)  # 8 bits a voxel
    with h5py.File(tmp_path / "rod.h5") as file:
        assert file["part/insert"].dtype == np.uint8
        assert file["part/insert"].attrs["full"] == 255
    plain = dataclasses.replace(record, part=dataclasses.replace(record.part, insert=None))
    assert read_result(write_result(plain, tmp_path / "plain.h5")).part.insert is None
