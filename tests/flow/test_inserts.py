"""Inserts: the light that they leave against closed forms; operators and certificate of a job that has one."""

import dataclasses
import math

import numpy as np
import pytest
import torch
from rod_jobs import ROD, job_of
from scipy.optimize import linprog

from lightlathe.dose import DoseOperator
from lightlathe.errors import JobError
from lightlathe.feasibility import case_of, verdict_on
from lightlathe.flow.beside_inserts import beside_inserts, lit_share
from lightlathe.flow.certificate import certificate_of
from lightlathe.flow.counting import voxels
from lightlathe.flow.operators import shadows_of
from lightlathe.flow.prepare import prepare
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.flow.solids import lay_out
from lightlathe.job import parse_job
from lightlathe.quantities import SOLID
from lightlathe.support.words import percent
from operators import dense, gap

CPU = torch.device("cpu")


def question(text, tmp_path):
    job, solids, _ = job_of(text, tmp_path)
    return verdict_on(case_of(job, solids)).of("insert")


def test_what_a_rod_leaves_of_all_directions(with_rod, tmp_path):
    """1 - asin(a / d) / pi at a distance d from the axis of a rod of radius a: half at its surface (geometry). Rings
    differ by the penumbra of a column of half a voxel and by 360 directions; the nearest is 1.6 voxels off."""
    job, solids, _ = job_of(with_rod(), tmp_path)
    grid = lay_out(job, solids).grid
    part = voxels(job, solids, grid, CPU)
    share = lit_share(shadows_of(part, 5.0), grid, 5.0, torch.tensor([grid.shape[2] // 2]))[:, :, 0]
    away = grid.radius_mm()
    for ring in (1.1, 1.2, 1.5, 1.9):
        there = (away - ring).abs() < 0.03
        wanted = 1 - torch.asin(1.0 / away[there]) / math.pi
        assert float(share[there].mean()) == pytest.approx(float(wanted.mean()), abs=0.006)
        assert float((share[there] - wanted).abs().max()) < 0.02
    beside = beside_inserts(solids, part, 5.0)
    near = (part.judged[:, :, grid.shape[2] // 2] == SOLID) & (away < 1 + 2.5 * 0.0625)
    assert beside.near_mm == 0.125
    assert beside.mean == pytest.approx(
        float((1 - torch.asin((1.0 / away[near]).clamp(max=1)) / math.pi).mean()), abs=0.02
    )
    assert 0.44 < beside.least < 0.56  # a voxel that touches the rod: half, less a penumbra
    assert beside.dark == 0
    (reason,) = question(with_rod(), tmp_path)
    assert (reason.level, reason.number) == ("will work", beside.least)
    assert "Within 0.12 mm of an opaque insert the part sees light from" in reason.text


def test_what_share_of_the_part_lies_in_the_insert_and_in_its_shadow(with_rod, tmp_path):
    """A disc of radius 4 mm on a rod of R = 1 mm on the axis: R^2 / 16 lies in the rod, and at radius r the rod hides
    asin(R / r) / pi of all directions, a tenth or more up to r = R / sin(pi / 10)."""
    text = with_rod(voxel=0.125).replace("radius_mm = 2.0", "radius_mm = 4.0")
    (reason,) = question(text, tmp_path)
    job, solids, _ = job_of(text, tmp_path)
    part = voxels(job, solids, lay_out(job, solids).grid, CPU)
    found = beside_inserts(solids, part, 5.0)
    limit = 1 / math.sin(math.pi / 10)
    assert found.inside == pytest.approx(1 / 16, rel=0.05)  # the rod is 16 voxels across
    assert found.shadowed == pytest.approx((limit**2 - 1) / (16 - 1), rel=0.05)
    assert f"{percent(found.inside)} of the part lies inside an insert" in reason.text
    assert f"{percent(found.shadowed)} of the rest of the part lies in shadow" in reason.text
    beside = text.replace('role = "insert"', 'role = "insert"\nopaque = false')
    assert "lies in shadow" not in question(beside, tmp_path)[0].text


def test_what_stands_in_a_hollow_sees_no_light(with_rod, tmp_path):
    """The bore of an opaque tube, which the part fills: 0.7^2 of the 2^2 - (1.2^2 - 0.7^2) that is to be printed."""
    kind = 'kind = "tube", outer_radius_mm = 1.2, inner_radius_mm = 0.7, height_mm = 40'
    tube = f'[[part]]\nrole = "insert"\nshape = {{ {kind} }}\n'
    (reason,) = question(with_rod(tube), tmp_path)
    assert reason.level == "cannot work"
    assert reason.number == pytest.approx(0.49 / (4 - 1.44 + 0.49), rel=0.03)
    assert "of the part from no direction, as at x = " in reason.text
    groove = (
        '[[part]]\nrole = "insert"\nshape = { kind = "box", x_mm = 1.0, y_mm = 0.4, z_mm = 40, at_mm = [0, %s, 0] }\n'
    )
    (slit,) = question(
        with_rod(groove % "0.3" + groove % "-0.3"), tmp_path
    )  # 1 mm deep, 0.2 mm wide, open at both ends
    middle = 4 * math.atan(0.1 / 0.5) / (2 * math.pi)  # of all directions, in the middle of the slit
    assert slit.level == "marginal"
    assert slit.number == pytest.approx(middle, abs=0.06)


def test_an_insert_below_the_part_costs_nothing(with_rod, tmp_path):
    """Light is horizontal: what stands in no slice of the part casts no shadow on it. Nor does what light passes."""
    (reason,) = question(
        with_rod(ROD.replace("height_mm = 40.0", "height_mm = 2.0, at_mm = [0.0, 0.0, -3.0]")), tmp_path
    )
    assert reason.level == "will work"
    assert reason.text == "An opaque insert stands in no slice of the part, so no shadow falls on the part."
    assert question(with_rod(""), tmp_path) == []
    (clear,) = question(with_rod(ROD + "opaque = false\n"), tmp_path)
    assert clear.level == "will work"
    assert clear.text == (
        "Light is taken to pass through an insert as through resin (opaque = false). "
        "25 % of the part lies inside an insert, where nothing is printed."
    )
    (aside,) = question(with_rod(ROD.replace("height_mm = 40.0", "height_mm = 9, at_mm = [3.5, 0, 0]")), tmp_path)
    assert aside.text.startswith("An opaque insert casts its shadow on the part, from more than 0.12 mm away.")


def test_where_light_ends_the_quick_bound_is_not_used(with_rod, tmp_path):
    """It is of rays from wall to wall."""
    job, solids, _ = job_of(with_rod(absorption=0.45), tmp_path)
    (reason,) = verdict_on(case_of(job, solids)).of("absorption")
    assert "light ends at an insert, so the quick bound on the process window does not hold" in reason.text
    clear, seen, _ = job_of(with_rod(ROD + "opaque = false\n", absorption=0.45), tmp_path)
    (reason,) = verdict_on(case_of(clear, seen)).of("absorption")
    assert "no patterns reach a process window above" in reason.text


def test_opaque_is_a_key_of_inserts(with_rod, tmp_path):
    assert [part.opaque for part in job_of(with_rod(), tmp_path)[0].parts] == [None, True]
    assert [solid.opaque for solid in job_of(with_rod(ROD + "opaque = false\n"), tmp_path)[1]] == [False, False]
    with pytest.raises(JobError, match=r'opaque is given for the role "keep_liquid"; expected it with role = "insert"'):
        job_of(with_rod(ROD.replace("insert", "keep_liquid") + "opaque = true\n"), tmp_path)
    with pytest.raises(JobError, match=r"opaque is 'no'; expected true or false"):
        job_of(with_rod(ROD + 'opaque = "no"\n'), tmp_path)


def test_what_light_passes_changes_nothing(with_rod, tmp_path):
    """opaque = false: the operator of a job without insert, bit for bit. Of two inserts the opaque one alone counts."""
    clear = prepare(parse_job(with_rod(ROD + "opaque = false\n", 0.25), name="a", folder=tmp_path))
    bare = prepare(parse_job(with_rod("", 0.25), name="b", folder=tmp_path))
    assert clear.part.opaque is None
    assert clear.part.insert.max() == 1
    assert clear.operator.views.ends is None
    light = torch.rand(clear.operator.pattern_shape, generator=torch.Generator().manual_seed(1))
    assert torch.equal(clear.turning(light), bare.turning(light))
    needle = ROD.replace("radius_mm = 1.0", "radius_mm = 0.5").replace("40.0", "40.0, at_mm = [-1.0, 0.5, 0.0]")
    both = prepare(parse_job(with_rod(ROD + "opaque = false\n" + needle, 0.25), name="c", folder=tmp_path))
    alone = prepare(parse_job(with_rod(needle, 0.25), name="d", folder=tmp_path))
    assert torch.equal(both.part.opaque, alone.part.insert)
    assert torch.equal(both.turning(light), alone.turning(light))
    assert gap(both.turning(light), clear.turning(light)) > 0.02


def test_every_operator_of_a_job_has_the_shadows(with_rod, tmp_path):
    """Scenarios, finer voxels, some slices, a bare vial: dark inside the rod, lit around it."""
    text = with_rod(ROD, 0.25) + "robust = { absorption_percent = [0, 10], axis_offset_mm = [0, 0.1] }\n"
    bare = text.replace("[vial]", '[vial]\nsurroundings = "air"\nwall_mm = 0').replace(
        ", axis_offset_mm = [0, 0.1]", ""
    )
    bare = bare.replace("[resin]", "[resin]\nrefractive_index = 1.5")
    for job in (text, bare):
        setup = prepare(parse_job(job, name="a", folder=tmp_path))
        operators = [operator for operator, _ in (*setup.turning_scenarios, *setup.design_scenarios)]
        fine = setup.turning.on(setup.part.grid.finer(2))
        for operator in (*operators, fine, operators[-1].of_slices(torch.tensor([3, 4]))):
            dose = operator(torch.ones(operator.pattern_shape))
            away = operator.still.grid.radius_mm() if hasattr(operator, "still") else operator.grid.radius_mm()
            assert not dose[away < 0.5].any()  # two pixels deep
            assert float(dose[(away > 1.5) & (away < 2)].min()) > 0.2


@pytest.mark.parametrize("wall", [0.0, 0.8])
def test_a_rod_on_the_axis_of_a_bare_vial(with_rod, tmp_path, wall):
    """A ray at d from the axis is as bright all along, so that a voxel loses half of its light of rays with d < a: the
    rays behind the rod. Even light, nothing absorbed; the share is 1 - I(a) / (2 I(r)) with I(s) the integral of T over
    the angles at which a ray through r passes within s of the axis (geometry), T that of the chords."""
    text = with_rod(ROD, 0.125, absorption=1e-6).replace("[vial]", f'[vial]\nsurroundings = "air"\nwall_mm = {wall}')
    text = text.replace("wall_mm = 0.8", "wall_mm = 0.8\nwall_index = 1.47")
    text = text.replace("pixel_mm = 0.25\ncolumns = 40\nrows = 20", "pixel_mm = 0.125\ncolumns = 100\nrows = 40")
    text = text.replace("[resin]", "[resin]\nrefractive_index = 1.5").replace("angles = 60", "angles = 180")
    setup = prepare(parse_job(text, name="a", folder=tmp_path))
    lit = setup.turning.optics
    free = setup.turning.like(DoseOperator(dataclasses.replace(lit, shadows=None), setup.part.grid))
    even = torch.ones(setup.turning.pattern_shape)
    k = setup.part.grid.shape[2] // 2
    share = (setup.turning(even)[:, :, k] / free.scaled(setup.turning.gain)(even)[:, :, k].clamp(min=1e-6)).double()
    away, s, t = setup.part.grid.radius_mm(), lit.chords.offset_mm.numpy(), lit.chords.transmittance.numpy()
    for ring in (1.3, 1.5, 1.8):
        u = np.linspace(0, math.pi / 2, 4001)
        passing = np.interp(ring * np.sin(u), s, t)
        wanted = 1 - passing[ring * np.sin(u) < 1.0].sum() / passing.sum() / 2
        there = (away - ring).abs() < 0.06
        assert float(share[there].mean()) == pytest.approx(wanted, abs=0.006)


def test_the_bound_lies_above_what_a_linear_program_reaches(with_rod, tmp_path):
    """The best window of one slice beside an opaque rod by scipy's HiGHS on the dense matrix, and the certificate's
    bound, which is of the same voxels and light: above it, by 0.1 at most. Without its shadow the best is another."""
    text = with_rod(ROD, 0.5).replace("pixel_mm = 0.25", "pixel_mm = 0.5").replace("columns = 40", "columns = 20")
    text = text.replace("rows = 20", "rows = 10").replace("angles = 60", 'angles = 16\nmotion = "stepped"')
    text = text.replace("[design]", '[design]\nprecision = "double"')
    best = {}
    for name, job in (("opaque", text), ("clear", text.replace('role = "insert"', 'role = "insert"\nopaque = false'))):
        setup = prepare(parse_job(job, name="disc", folder=tmp_path))
        target = setup.part.target()
        k = int(target.solid.any(0).any(0).nonzero()[0])
        shape = setup.turning.pattern_shape

        def slice_dose(patterns, setup=setup, k=k, shape=shape):
            return setup.turning(patterns[:, :, None].expand(shape).contiguous())[:, :, k]

        matrix = dense(slice_dose, shape[:2]).numpy()
        solid, liquid = (mask[:, :, k].flatten().numpy() for mask in (target.solid, target.liquid))
        used = matrix[solid], matrix[liquid & (matrix.sum(1) > 0)]
        a = np.block([[-used[0], np.zeros((len(used[0]), 1))], [used[1], -np.ones((len(used[1]), 1))]])
        b = np.concatenate([-np.ones(len(used[0])), np.zeros(len(used[1]))])
        found = linprog(np.append(np.zeros(matrix.shape[1]), 1.0), A_ub=a, b_ub=b, bounds=(0, None), method="highs")
        best[name] = 1 - found.fun
        dose = torch.from_numpy(matrix @ found.x[:-1]).reshape(setup.part.grid.shape[:2])
        proof = certificate_of(
            setup,
            SliceDoses.held(dose[:, :, None].expand(setup.part.grid.shape).contiguous(), setup.part.judged),
            iterations=200,
        )
        assert best[name] - 1e-6 <= proof.upper_bound <= best[name] + 0.1
    assert abs(best["opaque"] - best["clear"]) > 0.005  # 0.009 as measured
