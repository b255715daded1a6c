"""Jobs with inserts that dim light, and with rods in light of a lens: keys, check, design, record, what is refused."""

import dataclasses
import math

import numpy as np
import pytest
import torch
from rod_jobs import ROD

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.errors import JobError, ResultError
from lightlathe.feasibility import case_of, verdict_on
from lightlathe.flow.beside_inserts import lit_share
from lightlathe.flow.counting import voxels
from lightlathe.flow.operators import absorbers_of
from lightlathe.flow.prepare import prepare
from lightlathe.flow.recorded import job_of as recorded_job
from lightlathe.flow.solids import lay_out, load_solids
from lightlathe.flow.through import heights
from lightlathe.flow.what_if import cases
from lightlathe.job import parse_job
from lightlathe.quantities import Absorber, Grid, unpacked_from
from lightlathe.resins import Threshold
from lightlathe.result import read_result, write_result
from odd_jobs import disc
from operators import gap
from sealing import sealed_anew

LENS = ("columns = 40\nrows = 20", 'beam = { kind = "diverging", throw_ratio = 1.4 }\ncolumns = 56\nrows = 30')


def job_of(folder, *inserts: str, changes=()):
    """A disc of 2 mm radius and 1 mm height around inserts; voxels of 0.25 mm."""
    head, rest = disc(*changes).split("[vial]")
    text = head.replace("[part]", "[[part]]") + "\n".join(inserts) + "\n[vial]" + rest
    return parse_job(text, name="rod", folder=folder)


def test_absorption_is_a_key_of_inserts_in_place_of_opaque(tmp_path):
    job = job_of(tmp_path, ROD + "absorption_per_mm = 0.5\n", ROD, ROD + "opaque = false\n")
    assert [(part.opaque, part.absorption_per_mm) for part in job.parts[1:]] == [
        (None, 0.5),
        (True, None),
        (False, None),
    ]
    assert [solid.absorption_per_mm for solid in load_solids(job)[0]] == [None, 0.5, None, None]
    for opaque in ("true", "false"):
        with pytest.raises(JobError, match=rf"both opaque = {opaque} and absorption_per_mm = 0.5 are given"):
            job_of(tmp_path, ROD + f"absorption_per_mm = 0.5\nopaque = {opaque}\n")
    with pytest.raises(JobError, match=r'absorption_per_mm is given for the role "keep_liquid"; expected it with role'):
        job_of(tmp_path, ROD.replace("insert", "keep_liquid") + "absorption_per_mm = 0.5\n")
    with pytest.raises(JobError, match=r"absorption_per_mm is -1; expected 0"):
        job_of(tmp_path, ROD + "absorption_per_mm = -1\n")
    with pytest.raises(JobError, match=r"unknown key 'absorption_per_cm'.*_per_mm"):
        job_of(tmp_path, ROD + "absorption_per_cm = 5\n")


def test_an_absorption_of_the_resins_is_the_transparent_insert(tmp_path):
    """Bit for bit, here and with a resin that absorbs otherwise it is not."""
    clear, same, bare = (
        prepare(job_of(tmp_path, *inserts))
        for inserts in ([ROD + "opaque = false\n"], [ROD + "absorption_per_mm = 0.1\n"], [])
    )
    light = torch.rand(clear.operator.pattern_shape, generator=torch.Generator().manual_seed(1))
    assert torch.equal(same.turning(light), clear.turning(light))
    assert torch.equal(same.turning(light), bare.turning(light))
    glass = prepare(job_of(tmp_path, ROD + "absorption_per_mm = 0\n"))
    dense = prepare(job_of(tmp_path, ROD + "absorption_per_mm = 1e4\n"))
    opaque = prepare(job_of(tmp_path, ROD))
    seen = (glass.part.judged > 0) & (glass.part.insert == 0)
    assert float((glass.turning(light) - clear.turning(light))[seen].min()) > -1e-6
    assert gap(glass.turning(light)[seen], clear.turning(light)[seen]) > 0.02
    assert gap(dense.turning(light)[seen], opaque.turning(light)[seen]) < 1e-3


def test_inserts_of_one_absorption_are_counted_together_and_in_slabs(tmp_path):
    needle = ROD.replace("radius_mm = 1.0", "radius_mm = 0.5").replace("40.0", "40.0, at_mm = [%s, 0.5, 0.0]")
    glass = "absorption_per_mm = 0.02\n"
    job = job_of(
        tmp_path, needle % "-1.4" + glass, needle % "0.0" + "absorption_per_mm = 0.7\n", needle % "1.4" + glass
    )
    solids, _ = load_solids(job)
    grid, cpu = lay_out(job, solids).grid, torch.device("cpu")
    whole, slabs = voxels(job, solids, grid, cpu), voxels(job, solids, grid, cpu, 2)
    assert [each.absorption_per_mm for each in whole.absorbing] == [0.02, 0.7]
    assert whole.opaque is None
    for one, other in zip(whole.absorbing, slabs.absorbing, strict=True):
        assert torch.equal(one.covered, unpacked_from(other.covered))
    total = sum(each.covered for each in whole.absorbing)
    torch.testing.assert_close(total.clamp(max=1), whole.insert, rtol=0, atol=1e-6)
    assert len(prepare(job).operator.optics.absorbers) == 2


def test_even_light_around_a_rod_that_absorbs():
    """At d from its axis a ray at an angle u to the axis passes 2 sqrt(a^2 - d^2 sin^2 u) of the rod (geometry), so the
    mean over directions of exp(-mu times that), over the half of them that come from beyond it (Beer-Lambert)."""
    grid, mu, a = Grid((81, 81, 1), 0.0625), 0.7, 1.0
    fine = Grid((810, 810, 1), 0.00625)
    x, y = grid.centres_mm(0)[:, None], grid.centres_mm(1)
    covered = (fine.radius_mm() < a).float().unflatten(0, (-1, 10)).unflatten(2, (-1, 10)).mean((1, 3))[:, :, None]
    share = lit_share(None, grid, 2.5, torch.tensor([0]), (Absorber.of(covered, grid, 2.5, mu),))[:, :, 0]
    away = torch.sqrt(x**2 + y**2)
    u = (np.arange(20000) + 0.5) / 20000 * 2 * math.pi
    for ring in (1.2, 1.5, 2.0):
        there = (away - ring).abs() < 0.02
        wanted = []
        for d in away[there].tolist():
            inside = 2 * np.sqrt(np.clip(a**2 - (d * np.sin(u)) ** 2, 0, None)) * (np.cos(u) > 0)
            wanted.append(np.exp(-mu * inside).mean())
        assert len(wanted) > 20
        assert float(share[there].mean()) == pytest.approx(np.mean(wanted), abs=0.003)
        assert np.abs(share[there].numpy() - np.array(wanted)).max() < 0.01
        assert np.mean(wanted) < 0.9


def question(job):
    (reason,) = verdict_on(case_of(job, load_solids(job)[0])).of("insert")
    return reason


def test_the_check_says_what_inserts_leave(tmp_path):
    (dense, weak, clear, alike) = (
        question(job_of(tmp_path, ROD + f"absorption_per_mm = {mu}\n")) for mu in (50, 0.2, 0, 0.1)
    )
    assert dense.level == weak.level == "will work"
    assert dense.number == pytest.approx(question(job_of(tmp_path, ROD)).number, abs=0.02)
    assert 0.85 < weak.number < 0.98
    assert clear.number == pytest.approx(1, abs=1e-4)
    assert "Within 0.5 mm of an insert even light from all around leaves" in weak.text
    assert "with resin in the insert's place." in weak.text
    assert "An insert absorbs as the resin does, so no shadow falls on the part." in alike.text
    mixed = question(
        job_of(tmp_path, ROD + "absorption_per_mm = 0.2\n", ROD.replace("40.0", "40.0, at_mm = [0.3, 0, 0]"))
    )
    assert mixed.number < 0.65
    case = case_of(job := job_of(tmp_path, ROD + "absorption_per_mm = 0.0\n"), load_solids(job)[0])
    assert not case.straight_rays  # the quick bound is of resin from wall to wall
    on_card = dataclasses.replace(case, machine=dataclasses.replace(case.machine, device="cuda"))
    assert "On a card this light is computed in plain torch" in verdict_on(on_card).of("insert")[0].text
    assert "On a card" not in verdict_on(case).of("insert")[0].text
    (light,) = verdict_on(case).of("absorption")
    assert "an insert absorbs otherwise than the resin, so the quick bound" in light.text


def test_a_design_around_a_rod_that_absorbs(tmp_path, monkeypatch, capsys):
    """Every voxel right; said in check and summary; in the file, from which it is predicted as it was designed."""
    monkeypatch.chdir(tmp_path)
    changes = [("iterations = 12\nbound_iterations = 40", "iterations = 30\nbound_iterations = 20"),
               ("= 40\nsolid_above_mj_cm3 = 44", "= 41\nsolid_above_mj_cm3 = 43")]  # fmt: skip
    job = job_of(tmp_path, ROD + "absorption_per_mm = 0.6\n", changes=changes)
    (tmp_path / "rod.toml").write_text(job.text)
    assert main(["check", "rod.toml"]) in (0, 3)
    said = capsys.readouterr().out
    assert "Within 0.5 mm of an insert even light from all around leaves" in said
    assert "  assumed Light goes straight through an insert with absorption_per_mm: its refractive index is" in said
    assert main(["design", "rod.toml"]) in (0, 3)
    summary = capsys.readouterr().out
    assert "  assumed     Light goes straight through an insert with absorption_per_mm" in summary
    assert "opaque" not in summary
    record = read_result("rod.lathe.h5")
    assert record.quality["wrong_voxels"] == 0
    assert record.quality["window_proven_at_most"] >= record.quality["window_relative"]
    assert [each.absorption_per_mm for each in record.part.absorbing] == [0.6]
    assert record.part.opaque is None
    assert not any("before inserts cast shadows" in line for line in record.warnings)
    again = pipeline.predict(record)
    torch.testing.assert_close(again.dose, record.prediction.dose, rtol=2**-12, atol=1e-5)  # the file's is rounded
    clear = dataclasses.replace(record, part=dataclasses.replace(record.part, absorbing=()))
    assert gap(pipeline.predict(clear).dose, again.dose) > 0.03
    moved = pipeline.predict(record, insert_offset_mm=(0.25, 0.0))
    assert gap(moved.dose, again.dose) > 0.005
    assert any("insert_offset_mm" in asked for _, asked in cases(recorded_job(record), 10.0))
    with pytest.raises(JobError, match="has an absorption_per_mm"):
        pipeline.predict(clear, insert_offset_mm=(0.25, 0.0))
    paler = pipeline.predict(record, resin=Threshold(0.05, 41, 43))
    assert gap(paler.dose, again.dose) > 0.05
    assert main(["report", "rod.lathe.h5", "-o", "rod.html"]) == 0
    assert "absorption_per_mm" in (tmp_path / "rod.html").read_text()


def test_a_design_in_slabs_knows_of_it(tmp_path):
    """Volumes are packed then; the light is the same, and the print comes out right."""
    changes = [("iterations = 12\nbound_iterations = 40", "iterations = 30\nbound_iterations = 0")]
    slabs = [(changes[0][0], changes[0][1] + "\nslab_slices = 3")]
    whole, cut = (prepare(job_of(tmp_path, ROD + "absorption_per_mm = 2\n", changes=c)) for c in (changes, slabs))
    light = torch.rand(whole.turning.pattern_shape, generator=torch.Generator().manual_seed(1))
    assert torch.equal(whole.turning(light), cut.turning(light))
    record = pipeline.design(cut.job, setup=cut)
    assert record.quality["wrong_voxels"] == 0
    again = read_result(write_result(record, tmp_path / "slabs.h5"))
    torch.testing.assert_close(unpacked_from(pipeline.predict(again).dose), unpacked_from(record.prediction.dose),
                               rtol=2**-11, atol=1e-4)  # fmt: skip


def test_the_file_holds_each_absorption(tmp_path):
    """/part/absorbing/N; a file in which one is no absorption is refused."""
    changes = [("iterations = 12\nbound_iterations = 40", "iterations = 2\nbound_iterations = 0")]
    aside = ROD.replace("40.0", "40.0, at_mm = [2.5, 0, 0]")
    record = pipeline.design(
        job_of(tmp_path, ROD + "absorption_per_mm = 0.6\n", aside + "absorption_per_mm = 0\n", changes=changes)
    )
    path = write_result(record, tmp_path / "two.h5")
    read = read_result(path).part
    assert [each.absorption_per_mm for each in read.absorbing] == [0.6, 0.0]
    for one, other in zip(absorbers_of(read, 5.0), absorbers_of(record.part, 5.0), strict=True):
        assert torch.equal(one.sections.covered, other.sections.covered)
    with sealed_anew(path) as file:
        file["part/absorbing/0"].attrs["absorption_per_mm"] = -0.6
    with pytest.raises(ResultError, match=r"part/absorbing/0 absorbs -0.6 per mm"):
        read_result(path)


@pytest.mark.parametrize("insert", [ROD, ROD + "absorption_per_mm = 2\n"])
def test_a_design_around_a_rod_in_light_of_a_lens(tmp_path, insert):
    """Every voxel right with the rod in it, and not without: the same light without the rod's shadow is another's."""
    changes = [LENS, ("iterations = 12\nbound_iterations = 40", "iterations = 40\nbound_iterations = 0")]
    record = pipeline.design(job_of(tmp_path, insert, changes=changes))
    assert record.quality["wrong_voxels"] == 0
    path = write_result(record, tmp_path / "lens.h5")
    again = pipeline.predict(read_result(path))
    assert again.quality["wrong_voxels"] == 0
    ignored = pipeline.design(job_of(tmp_path, ROD + "opaque = false\n", changes=changes))
    held = dataclasses.replace(ignored, part=record.part, facts=record.facts)
    assert pipeline.predict(held).quality["wrong_voxels"] > 10
    question(job_of(tmp_path, insert, changes=changes))


def test_a_rod_that_ends_in_the_light_of_a_lens_is_refused(tmp_path):
    """Rays from a lens in the middle of the grid pass no height beyond its ends; those of one above come from above."""
    short = ROD.replace("height_mm = 40.0", "height_mm = 1.4, at_mm = [0, 0, -0.3]")
    with pytest.raises(JobError, match=r"and it ends at z = 0.4 mm, between the heights of .* such as a rod"):
        prepare(job_of(tmp_path, short, changes=[LENS]))
    with pytest.raises(JobError, match=r"it ends at z = 0.4 mm"):
        pipeline.check(job_of(tmp_path, short, changes=[LENS]))
    prepare(job_of(tmp_path, short + "opaque = false\n", changes=[LENS]))
    prepare(job_of(tmp_path, short + "absorption_per_mm = 0.1\n", changes=[LENS]))  # the resin's
    prepare(job_of(tmp_path, short))
    level = prepare(job_of(tmp_path, ROD, changes=[LENS]))
    end = level.part.grid.shape[2] * 0.25 / 2
    assert heights(level.optics, level.part.grid) == (-end, end)
    through = ROD.replace("height_mm = 40.0", f"height_mm = {2 * end + 0.2}")
    prepare(job_of(tmp_path, through, changes=[LENS]))
    above = (LENS[0], LENS[1].replace("throw_ratio = 1.4", "throw_ratio = 1.4, lens_height_mm = 6"))
    low, high = heights(prepare(job_of(tmp_path, ROD, changes=[above])).optics, level.part.grid)
    # a ray that lights the top of the grid at the far wall, 5 mm behind the axis, came in 5 mm before it; the lens is
    # 1.4 * 56 * 0.25 = 19.6 mm away
    assert low == -end
    assert high == pytest.approx(end + (6 - end) * 10 / 24.6, rel=0.05)
    with pytest.raises(JobError, match=f"it ends at z = {end + 0.1:.3g} mm"):
        prepare(job_of(tmp_path, through, changes=[above]))


def test_what_if_a_lens_above_stood_nearer(tmp_path):
    """Designed for a lens far away, a rod that ends above the grid is passed; that of a lens as near as in the test
    above is not, also where the file alone is at hand. One that light passes as resin does not matter."""
    far = (LENS[0], LENS[1].replace("throw_ratio = 1.4", "throw_ratio = 14, lens_height_mm = 6"))
    changes = [far, ("iterations = 12\nbound_iterations = 40", "iterations = 2\nbound_iterations = 0")]
    end = prepare(job_of(tmp_path, ROD, changes=[far])).part.grid.shape[2] * 0.25 / 2
    through = ROD.replace("height_mm = 40.0", f"height_mm = {2 * end + 1.4}")  # (6 - end) * 10 / 201 = 0.25 mm above
    path = write_result(pipeline.design(job_of(tmp_path, through, changes=changes)), tmp_path / "far.h5")
    record = read_result(path)
    assert pipeline.predict(record).dose.isfinite().all()
    near = {"throw_ratio": 1.4}
    with pytest.raises(JobError, match=f"it ends at z = {end + 0.7:.3g} mm, between the heights of .* such as a rod"):
        pipeline.predict(record, light=near)
    facts = {name: value for name, value in record.facts.items() if not name.startswith("inserts_")}
    with pytest.raises(ResultError, match="does not hold how far its inserts reach"):
        pipeline.predict(dataclasses.replace(record, facts=facts), light=near)
    for wrong in ([[1.0]], "high", [math.nan], [-9.0], [1.0, 2.0], np.zeros(0)):
        with pytest.raises(ResultError, match="of the result are no lists"):
            pipeline.predict(dataclasses.replace(record, facts=record.facts | {"inserts_high_mm": wrong}), light=near)
    resin = pipeline.design(job_of(tmp_path, through + "absorption_per_mm = 0.1\n", changes=changes))
    assert pipeline.predict(resin, light=near).dose.isfinite().all()


def test_what_if_the_light_came_from_a_lens(tmp_path):
    """A record of parallel light around an insert that ends: the case of a lens is refused, and said so."""
    changes = [("iterations = 12\nbound_iterations = 40", "iterations = 2\nbound_iterations = 0")]
    short = ROD.replace("height_mm = 40.0", "height_mm = 1.0, at_mm = [0, 0, -0.5]")
    record = pipeline.design(job_of(tmp_path, short, changes=changes))
    with pytest.raises(JobError, match="it ends at z = 0 mm"):
        pipeline.predict(record, light={"throw_ratio": 1.4})
    through = pipeline.design(job_of(tmp_path, ROD, changes=changes))
    dose = pipeline.predict(through, light={"throw_ratio": 1.4}).dose
    assert not dose[through.part.grid.radius_mm() < 0.5].any()
