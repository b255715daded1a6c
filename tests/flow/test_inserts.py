"""Inserts: the light that they leave against closed forms; design, certificate and record of a job that has one."""

import dataclasses
import json
import math

import h5py
import numpy as np
import pytest
import torch
from scipy.optimize import linprog

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.dose import DoseOperator
from lightlathe.errors import JobError
from lightlathe.feasibility import case_of, parts_lines, verdict_on
from lightlathe.flow.beside_inserts import beside_inserts, lit_share
from lightlathe.flow.certificate import certificate_of
from lightlathe.flow.operators import shadows_of
from lightlathe.flow.prepare import prepare
from lightlathe.flow.recorded import job_of as recorded_job
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.flow.solids import lay_out, load_solids, voxels
from lightlathe.flow.what_if import cases
from lightlathe.job import parse_job
from lightlathe.part import SHAPES, fit
from lightlathe.quantities import SOLID, Grid
from lightlathe.result import read_result, write_result
from lightlathe.support.words import percent
from operators import dense, gap
from sealing import sealed_anew

ROD = '[[part]]\nrole = "insert"\nshape = { kind = "cylinder", radius_mm = 1.0, height_mm = 40.0 }\n'
CPU = torch.device("cpu")


def job_of(text, tmp_path):
    job = parse_job(text, name="rod", folder=tmp_path)
    solids, said = load_solids(job)
    return job, solids, said


@pytest.fixture
def with_rod(small_job):
    """A disc of 2 mm radius on a rod of 1 mm radius, which sticks out of the resin; voxels of 0.0625 mm."""

    def text(rod=ROD, voxel=0.0625, **changes):
        head, rest = small_job(**changes).split("[vial]")
        rest = rest.replace("voxel_mm = 0.25", f"voxel_mm = {voxel}")
        return head.replace("[part]", "[[part]]") + rod + "[vial]" + rest

    return text


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
    assert reason.text == "An opaque insert stands in no slice of the part, so no shadow falls on it."
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


def test_a_design_with_an_insert(with_rod, tmp_path, monkeypatch, capsys):
    """Every voxel right beside an opaque rod; said in check, summary and file; predicted again from the file alone."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rod.toml").write_text(with_rod(ROD, 0.25, liquid_below=41, solid_above=43) + "bound_iterations = 20\n")
    assert main(["check", "rod.toml"]) in (0, 3)
    said = capsys.readouterr().out
    assert "ok      insert: Within 0.5 mm of an opaque insert the part sees light from" in said
    assert "  assumed Light ends at an opaque insert" in said
    assert main(["design", "rod.toml"]) in (0, 3)
    assert "  assumed     Light ends at an opaque insert" in capsys.readouterr().out
    record = read_result("rod.lathe.h5")
    assert record.quality["wrong_voxels"] == 0
    assert record.quality["window_gap"] >= -0.002
    assert record.settings["part"][1]["opaque"] is True
    again = pipeline.predict(record)
    torch.testing.assert_close(again.dose, record.prediction.dose, rtol=2**-12, atol=1e-5)  # the file's is rounded
    assert not again.dose[record.part.grid.radius_mm() < 0.5].any()  # two pixels deep
    clear = dataclasses.replace(record, part=dataclasses.replace(record.part, opaque=None))
    assert gap(pipeline.predict(clear).dose, again.dose) > 0.1


def test_files_of_before_are_of_inserts_that_light_passes(with_rod, tmp_path):
    """A file without /part/opaque and without the key: predicted as it was designed, and it says so."""
    job, _, _ = job_of(with_rod(ROD + "opaque = false\n", 0.25, iterations=2) + "bound_iterations = 0\n", tmp_path)
    record = pipeline.design(job)
    path = write_result(record, tmp_path / "old.h5")
    with sealed_anew(path) as file:
        settings = json.loads(file["job/resolved"][()])
        del settings["part"][1]["opaque"]
        del file["job/resolved"]
        file["job"].create_dataset("resolved", data=json.dumps(settings)).attrs.update({"units": "1", "dims": []})
    old = read_result(path)
    assert old.settings["part"][1]["opaque"] is False
    assert any("designed before inserts cast shadows" in line for line in old.warnings)
    assert old.part.opaque is None
    predicted = pipeline.predict(old)
    torch.testing.assert_close(predicted.dose, record.prediction.dose, rtol=1e-5, atol=1e-5)
    assert "Light passes through an insert as through resin" in pipeline.summary(old, path)


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
    grid = Grid((160, 160, 20), 0.0625)
    assert (shadows_of(voxels(job, solids, grid, CPU), 5.0).class_of_slice == 0).all()


def test_the_insert_is_in_the_record(with_rod, tmp_path):
    """/part/insert and /part/opaque hold its covered fraction; files without them are read as before."""
    job, _, _ = job_of(with_rod(ROD, 0.25, iterations=2) + "bound_iterations = 0\n", tmp_path)
    record = pipeline.design(job)
    again = read_result(write_result(record, tmp_path / "rod.h5"))
    torch.testing.assert_close(again.part.insert, record.part.insert, rtol=0, atol=0.5 / 255)
    assert torch.equal(again.part.opaque, again.part.insert)
    one, other = shadows_of(again.part, 5.0), shadows_of(record.part, 5.0)
    assert torch.equal(one.covered, other.covered)  # of 255ths, so the same from the file
    area = float(again.part.insert[:, :, again.part.grid.shape[2] // 2].sum()) * 0.25**2
    assert area == pytest.approx(math.pi, rel=0.01)  # 8 bits a voxel
    with h5py.File(tmp_path / "rod.h5") as file:
        for name in ("insert", "opaque"):
            assert file[f"part/{name}"].dtype == np.uint8
            assert file[f"part/{name}"].attrs["full"] == 255
    plain = dataclasses.replace(record, part=dataclasses.replace(record.part, insert=None, opaque=None))
    read = read_result(write_result(plain, tmp_path / "plain.h5")).part
    assert read.insert is None
    assert read.opaque is None


def test_an_insert_that_stands_elsewhere_shadows_elsewhere(with_rod, tmp_path):
    """Moved by a voxel its shadow is that of a rod made there; a job without an opaque insert has none to move."""
    record = pipeline.design(job_of(with_rod(ROD, 0.25, iterations=10) + "bound_iterations = 0\n", tmp_path)[0])
    moved = pipeline.predict(record, insert_offset_mm=(0.25, 0.0))
    there = dataclasses.replace(record.part, opaque=torch.roll(record.part.opaque, 1, 0))
    made = pipeline.predict(dataclasses.replace(record, part=there))
    assert gap(moved.dose, made.dose) < 1e-5
    assert gap(moved.dose, pipeline.predict(record).dose) > 0.01
    assert any("insert_offset_mm" in asked for _, asked in cases(recorded_job(record), 10.0))
    clear = dataclasses.replace(record, part=dataclasses.replace(record.part, opaque=None))
    with pytest.raises(JobError, match="a result with an insert that is opaque"):
        pipeline.predict(clear, insert_offset_mm=(0.25, 0.0))
