"""Designs for a projector's lens at a finite distance, end to end: what ignoring it costs, and what designing with it
restores."""

import json
import math
from dataclasses import replace

import pytest
import torch

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.dose import Turning
from lightlathe.errors import JobError, PartError
from lightlathe.flow.certificate import Certificate
from lightlathe.flow.coupled_certificate import certificate_for
from lightlathe.flow.formulation import coarser_problem, problem_of
from lightlathe.flow.prepare import prepare
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.job import parse_job
from lightlathe.quantities import Field
from lightlathe.report.advice import advice
from lightlathe.result import read_result, write_result
from lightlathe.solve import BoundedLBFGS, suited
from odd_jobs import disc

AIR = ('surroundings = "air"', "wall_mm = 1.0", "wall_index = 1.48")
LENS = '{ kind = "diverging", throw_ratio = 1.4 }'


def job_of(beam=LENS, *lines, folder, changes=()):
    """A cylinder of 4 x 4 mm in a vial of 10 mm, pixels of 0.25 mm; `lines` of [vial]."""
    text = disc(
        ("absorption_per_mm = 0.1", "absorption_per_mm = 0.1\nrefractive_index = 1.5"),
        ("columns = 40", f"beam = {beam}\ncolumns = 56"),
        ("rows = 20", "rows = 30"),
        ("height_mm = 1.0", "height_mm = 4.0"),
        ("resin_height_mm = 12", "\n".join(("resin_height_mm = 12", *lines))),
        *changes,
    )
    return parse_job(text, name="cylinder", folder=folder)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("diverging")


@pytest.fixture(scope="module")
def parallel(folder):
    return pipeline.design(job_of('"telecentric"', *AIR, folder=folder))


@pytest.fixture(scope="module")
def bare(folder):
    return pipeline.design(job_of(LENS, *AIR, folder=folder))


def test_ignored_it_spoils_the_print_and_designed_for_it_does_not(parallel, bare):
    """Both are designed for a bare vial, one of them for parallel light; printed with a lens of throw ratio 1.4, 20 mm
    away, only the other comes out right. Either is right where its own light is true, from the file alone."""
    assert parallel.quality["wrong_voxels"] == 0
    assert bare.quality["wrong_voxels"] == 0
    ignored = pipeline.predict(parallel, light={"throw_ratio": 1.4}).quality
    assert ignored["wrong_voxels"] > 100
    assert ignored["window_relative"] < bare.quality["window_relative"] - 0.1
    again = pipeline.predict(bare).quality
    for name in ("window_relative", "iou_fine"):
        assert again[name] == pytest.approx(bare.quality[name], rel=1e-3, abs=1e-4)
    other = pipeline.predict(bare, light={"throw_ratio": float("inf")}).quality
    assert other["wrong_voxels"] > 100


def test_the_window_is_bounded(bare, folder):
    """All slices at once; tests/solve/test_coupled_bound.py has the bound against linear programs."""
    q = bare.quality
    assert q["window_gap"] >= -0.002  # rounded levels
    assert q["window_relative"] <= q["window_proven_at_most"] < 1
    assert abs(q["window_binding_surroundings_z_mm"]) <= 2.5  # the cylinder is 4 mm tall
    said = pipeline.summary(bare, folder / "x.h5")
    assert "proven: no patterns whatever reach more than" in said
    assert "(decided at z = " in said
    assert "The beam is parallel" not in said


def test_a_bound_that_was_left_out_is_not_missed(bare, folder):
    """Nothing is said where the job asks for none, and why where there is none though it does."""
    kept = {k: v for k, v in bare.quality.items() if k not in ("window_gap", "window_proven_at_most")}
    without = replace(bare, prediction=replace(bare.prediction, quality=kept))
    assert "no bound was computed: light whose rows spread" in pipeline.summary(without, folder / "x.h5")
    asked = {**bare.settings, "design": {**bare.settings["design"], "bound_iterations": 0}}
    assert "bound" not in pipeline.summary(replace(without, settings=asked), folder / "x.h5")


def test_a_bound_that_memory_does_not_hold_is_left_out(folder, caplog):
    """Of 160 bytes a voxel, and 50 a pixel, one byte is missing."""
    setup = prepare(job_of(folder=folder))
    need = 160 * setup.part.grid.voxels + 50 * math.prod(setup.operator.pattern_shape)
    lit = torch.rand(setup.part.grid.shape)
    dose = SliceDoses.held(lit, setup.part.judged)
    for missing in (0, 1):
        within = replace(setup, slabs=replace(setup.slabs, limit_bytes=need - missing))
        proof = certificate_for(within, dose, iterations=1)
        assert (proof is None) == (missing == 1)
    assert "no bound on the window: the search for one takes" in caplog.text


def test_advice_for_a_print_that_fails_names_both_places():
    proof = Certificate(-0.3, -0.1, 1.0, (0.5, 0.0), (1.5, 0.25), surroundings_z_mm=1.2)
    said = advice(proof, [], 60)
    assert said.startswith("Proven: no patterns whatever print this part")
    assert said.endswith("between (0.50, 0.00, 1.00) mm in the part and (1.50, 0.25, 1.20) mm beside it.")


def test_slices_are_designed_together(folder):
    """All slices of a cylinder are equal, and their light is not: none is designed for another."""
    setup = prepare(job_of(folder=folder))
    problem = problem_of(setup)
    assert setup.operator.row_of_slice is None
    assert not problem.slices_independent
    assert isinstance(suited(setup.job.design.solver, problem), BoundedLBFGS)


def test_the_file_holds_the_optics(bare, folder):
    path = folder / "bare.h5"
    write_result(bare, path)
    read, wanted = read_result(path), bare.optics.chords
    chords = read.optics.chords
    for name in ("offset_mm", "deflection_rad", "transmittance"):
        assert torch.equal(getattr(chords, name), getattr(wanted, name))
    assert (chords.dark_before, chords.dark_after) == (wanted.dark_before, wanted.dark_after)
    assert torch.equal(chords.magnification.at_foot, wanted.magnification.at_foot)
    assert torch.equal(chords.magnification.per_mm, wanted.magnification.per_mm)
    assert chords.magnification.pupil_z_mm == wanted.magnification.pupil_z_mm
    assert not read.optics.slices_independent
    assert pipeline.predict(read).quality["window_relative"] == pipeline.predict(bare).quality["window_relative"]


@pytest.mark.parametrize("height", [0.0, 3.0])
def test_the_lit_field_is_the_whole_field(folder, monkeypatch, height):
    """Rows aimed above the part light it before the axis, where they are closer together: more rows than the part is
    tall, and none beyond them adds light to it."""
    beam = f'{{ kind = "diverging", distance_mm = 25, lens_height_mm = {height} }}'
    setup = prepare(job_of(beam, *AIR, folder=folder, changes=[("rows = 30", "rows = 48")]))
    field = setup.field
    assert field.lit_columns < 56
    assert 20 < field.lit_rows < 48
    light = torch.rand(setup.operator.pattern_shape, generator=torch.Generator().manual_seed(0))
    whole = torch.rand(len(light), field.columns, field.rows, generator=torch.Generator().manual_seed(1))
    whole[:, *field.lit] = light
    monkeypatch.setattr("lightlathe.flow.prepare.field_of", lambda job, *_: Field.whole(56, 48))
    other = prepare(setup.job)
    solid = setup.part.target(torch.device("cpu")).solid
    for a, b in ((setup.operator, other.operator), (setup.turning, other.turning)):
        torch.testing.assert_close(a(light)[solid], b(whole)[solid], rtol=1e-2, atol=1e-2)
        dark = whole.clone()
        dark[:, *field.lit] = 0
        assert float(b(dark)[solid].max()) < 0.01 * float(a(light)[solid].mean())


def test_a_picture_that_ends_too_soon_is_refused(folder):
    """Rows spread with depth: what no image of a turn reaches, behind the axis either, is never lit."""
    with pytest.raises(PartError, match=r"the projector's field, 3\.866 mm high"):
        prepare(job_of(LENS, *AIR, folder=folder, changes=[("rows = 30", "rows = 16")]))
    prepare(job_of('"telecentric"', *AIR, folder=folder, changes=[("rows = 30", "rows = 16")]))


@pytest.mark.parametrize("motion", ["stepped", "continuous"])
def test_a_lens_above_and_beside_and_a_window(folder, motion):
    beam = '{ kind = "diverging", distance_mm = 60, lens_height_mm = 6, lens_offset_mm = 3, window_mm = 12 }'
    changes = [
        ("iterations = 12", "iterations = 30"),
        ("seconds_per_turn = 10", f'seconds_per_turn = 10\nsense = "counterclockwise"\nmotion = "{motion}"'),
    ]
    setup = prepare(job_of(beam, 'surroundings = "water"', "wall_mm = 1.0", "wall_index = 1.48", folder=folder,
                           changes=changes))  # fmt: skip
    assert isinstance(setup.turning, Turning)
    assert pipeline.design(setup.job, setup=setup).quality["wrong_voxels"] == 0


def test_scenarios_and_coarse_stages(folder):
    """An axis that is off is off with the lens; coarse voxels take planes of their own."""
    text = (
        job_of(folder=folder).text
        + "robust = { axis_offset_mm = [-0.1, 0.1] }\nladder = [{ coarser = 3, iterations = 6 }]\n"
    )
    job = parse_job(text, name="cylinder", folder=folder)
    setup = prepare(job)
    coarse = coarser_problem(setup, 3.0).operator
    assert coarse.views.spread.slices == coarse.dose_shape[2]
    assert coarse.views.spread.plane_mm == 0.375  # half a coarse voxel: rows of 0.25 mm are finer
    found = pipeline.design(job, setup=setup)
    assert found.quality["window_all_scenarios_robust"] > found.quality["window_all_scenarios_plain"]
    assert found.quality["window_gap"] >= -0.002  # of the plain case; levels are rounded


def test_the_check_has_a_line_on_it(folder):
    verdict = pipeline.check(job_of(LENS, *AIR, folder=folder))
    (reason,) = verdict.of("divergence")
    assert reason.level == "marginal"  # nearer than lenses stand: are these columns all that the projector has?
    assert "19.6 mm before the axis" in reason.text
    assert "19.65 degrees" in reason.text  # atan(1 / 2.8)
    # air, then glass and resin: 2.4 mm on either side of the axis, 16 % of 19.6 mm over the index and more in front
    assert reason.number == pytest.approx(19.6)
    assert pipeline.check(job_of('"telecentric"', *AIR, folder=folder)).of("divergence") == []


def test_what_if_the_light_diverges_on_the_command_line(parallel, folder, capsys):
    path = folder / "parallel.h5"
    write_result(parallel, path)
    main(["predict", str(path), "--throw-ratio", "1.4", "--json"])
    figures = json.loads(capsys.readouterr().out)
    assert figures["iou"] == pytest.approx(pipeline.predict(parallel, light={"throw_ratio": 1.4}).quality["iou"])
    main(["predict", str(path), "--throw-ratio", "inf"])
    assert capsys.readouterr().out.startswith("parallel light: every voxel")
    assert main(["predict", str(path), "--throw-ratio", "0.2"]) != 0
    assert "inside the vial" in capsys.readouterr().err
    with pytest.raises(JobError, match="throw_ratio is -1"):
        pipeline.predict(parallel, light={"throw_ratio": -1})


def test_a_throw_ratio_is_of_the_projectors_own_width(folder):
    """On its side the width lies along the axis: 1.4 times the rows is the distance to give."""
    text = job_of(LENS, folder=folder).text
    with pytest.raises(JobError, match="distance_mm in its place"):
        parse_job(text.replace("[light]", "[light]\nrotate_deg = 90"), name="side", folder=folder)
