"""Designs for a bare vial, end to end: what ignoring the refraction costs, and what designing with it restores."""

import json

import pytest
import torch

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.dose import Turning
from lightlathe.errors import JobError, PartError
from lightlathe.flow.formulation import coarser_problem, problem_of, start_of
from lightlathe.flow.prepare import prepare
from lightlathe.job import parse_job
from lightlathe.quantities import Field
from lightlathe.result import read_result, write_result
from odd_jobs import disc

AIR = {"surroundings": "air", "wall_mm": 1.0, "wall_index": 1.48}
LINES = ('surroundings = "air"', "wall_mm = 1.0", "wall_index = 1.48")


def job_of(*lines, folder, changes=()):
    text = disc(("absorption_per_mm = 0.1", "absorption_per_mm = 0.1\nrefractive_index = 1.5"),
                ("columns = 40", "columns = 56"), *changes)  # fmt: skip
    line = next(line for line in text.splitlines() if line.startswith("resin_height_mm"))
    return parse_job(text.replace(line, "\n".join((line, *lines))), name="disc", folder=folder)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("bare")


@pytest.fixture(scope="module")
def matched(folder):
    return pipeline.design(job_of(folder=folder))


@pytest.fixture(scope="module")
def bare(folder):
    return pipeline.design(job_of(*LINES, folder=folder))


def test_ignored_it_ruins_the_print_and_designed_for_it_does_not(matched, bare):
    """A disc of 4 mm in a vial of 10 mm: seven eighths of it and less where refraction is ignored; all of it where the
    design knows. The files tell the same when they are predicted again."""
    assert matched.quality["wrong_voxels"] == 0
    ignored = pipeline.predict(matched, vial=AIR).quality
    assert ignored["iou"] < 0.9
    assert bare.quality["wrong_voxels"] == 0
    assert bare.quality["window_relative"] > 0.8 * matched.quality["window_relative"]
    again = pipeline.predict(bare).quality
    for name in ("window_relative", "iou_fine"):
        assert again[name] == pytest.approx(bare.quality[name], rel=1e-3, abs=1e-4)
    assert pipeline.predict(bare, vial={"surroundings": "matched"}).quality["iou"] < 0.9


def test_no_surroundings_or_equal_ones_are_the_same_bit_for_bit(matched, folder):
    same = pipeline.design(job_of("surroundings = 1.5", "wall_mm = 1", "wall_index = 1.5", folder=folder))
    assert torch.equal(same.patterns.levels, matched.patterns.levels)
    assert torch.equal(same.prediction.dose, matched.prediction.dose)


def test_the_file_holds_the_optics(bare, folder):
    path = folder / "bare.h5"
    write_result(bare, path)
    read = read_result(path)
    assert read.optics.chords.crossing
    for name in ("offset_mm", "deflection_rad", "transmittance"):
        assert torch.equal(getattr(read.optics.chords, name), getattr(bare.optics.chords, name))
    assert read.settings["vial"]["surroundings"] == "air"
    assert pipeline.predict(read).quality["window_relative"] == pipeline.predict(bare).quality["window_relative"]
    said = pipeline.summary(read, path)
    assert "left out" in said
    assert "bath" not in said


def test_the_lit_field_is_the_whole_field(folder, monkeypatch):
    """The columns that can light the part lie further out than it; the others add nothing to it."""
    setup = prepare(job_of(*LINES, folder=folder, changes=[("columns = 56", "columns = 80")]))
    columns = setup.field.lit_columns
    assert not setup.field.is_whole
    lit_mm = (columns - 2) / 2 * 0.25
    assert lit_mm == pytest.approx(1.5 * 2.0, abs=0.4)
    light = torch.rand(setup.operator.pattern_shape, generator=torch.Generator().manual_seed(0))
    whole = torch.zeros(len(light), setup.field.columns, setup.field.rows)
    whole[:, *setup.field.lit] = light
    monkeypatch.setattr("lightlathe.flow.prepare.field_of", lambda job, *_: Field.whole(80, job.light.rows))
    other = prepare(setup.job)
    for a, b in ((setup.operator, other.operator), (setup.turning, other.turning)):
        torch.testing.assert_close(a(light), b(whole), rtol=0, atol=1e-6)


def test_columns_beside_the_vial_are_not_stored(folder):
    """Of a part that nearly fills the vial: what misses the vial of 12 mm outside stays dark, whatever the part."""
    setup = prepare(job_of(*LINES, folder=folder, changes=[("radius_mm = 2.0", "radius_mm = 4.4"),
                                                           ("columns = 56", "columns = 80")]))  # fmt: skip
    assert setup.field.lit_columns == 48  # of 0.25 mm in the 12 mm
    prepare(job_of(*LINES, folder=folder, changes=[("radius_mm = 2.0", "radius_mm = 4.4"),
                                                   ("columns = 56", "columns = 49")]))  # fmt: skip
    with pytest.raises(PartError, match="field"):
        prepare(job_of(*LINES, folder=folder, changes=[("radius_mm = 2.0", "radius_mm = 4.4"),
                                                       ("columns = 56", "columns = 46")]))  # fmt: skip


@pytest.mark.parametrize("motion", ["stepped", "continuous"])
@pytest.mark.parametrize("sense", ["clockwise", "counterclockwise"])
def test_either_sense_and_motion_prints(folder, sense, motion):
    changes = [("seconds_per_turn = 10", f'seconds_per_turn = 10\nsense = "{sense}"\nmotion = "{motion}"')]
    setup = prepare(job_of(*LINES, folder=folder, changes=changes))
    assert isinstance(setup.turning, Turning)
    assert pipeline.design(setup.job, setup=setup).quality["wrong_voxels"] == 0


def test_scenarios_of_a_bare_vial(folder):
    """An axis that is off is off outside the vial, for every scenario; the proof is of the same light."""
    text = job_of(*LINES, folder=folder).text + "robust = { axis_offset_mm = [-0.1, 0.1] }\n"
    found = pipeline.design(parse_job(text, name="disc", folder=folder))
    assert found.quality["window_all_scenarios_robust"] > 0
    assert found.quality["window_proven_at_most"] > found.quality["window_relative"]


def test_coarse_stages_of_a_bare_vial(folder):
    """Coarse voxels take fewer bins: kernels on cards read no more than a few of them for each voxel."""
    text = job_of(*LINES, folder=folder).text + "ladder = [{ coarser = 3, iterations = 6 }]\n"
    setup = prepare(parse_job(text, name="disc", folder=folder))
    assert setup.in_design.directions.finer == 3
    coarse = coarser_problem(setup, 3.0).operator
    assert coarse.directions.finer == 1
    assert coarse.views.bins_across(8) < 64
    assert setup.turning.coarser().parts >= 2
    assert pipeline.design(setup.job, setup=setup).quality["wrong_voxels"] == 0


def test_predictions_of_other_surroundings_on_the_command_line(matched, folder, capsys):
    path = folder / "matched.h5"
    write_result(matched, path)
    main(["predict", str(path), "--surroundings", "air", "--wall-mm", "1", "--wall-index", "1.48", "--json"])
    figures = json.loads(capsys.readouterr().out)
    assert figures["iou"] == pytest.approx(pipeline.predict(matched, vial=AIR).quality["iou"])
    main(["predict", str(path), "--surroundings", "1.5", "--wall-mm", "0"])
    said = capsys.readouterr().out
    assert said.startswith("surroundings 1.5, a wall of 0 mm, resin of index 1.5: every voxel")
    assert main(["predict", str(path), "--surroundings", "air"]) != 0
    assert "--wall-mm is missing" in capsys.readouterr().err


def test_what_cannot_be_assumed_is_refused(matched):
    with pytest.raises(JobError, match="unknown key 'radius_mm'"):
        pipeline.predict(matched, vial={"radius_mm": 4})


def test_an_earlier_result_starts_a_design_with_its_own_rows(bare, folder):
    """Columns lie closer in the resin than outside; rows do not."""
    write_result(bare, folder / "earlier.h5")
    more = 'start = { kind = "earlier", result = "earlier.h5" }\n'
    setup = prepare(parse_job(job_of(*LINES, folder=folder).text + more, name="disc", folder=folder))
    start = start_of(setup, problem_of(setup))
    assert torch.equal(start.amax((0, 1)) > 0, bare.patterns.levels.amax((0, 1)) > 0)


def test_a_vial_without_a_wall_is_assumed_on_the_command_line(bare, folder, capsys):
    write_result(bare, folder / "walled.h5")
    main(["predict", str(folder / "walled.h5"), "--surroundings", "matched", "--wall-mm", "0"])
    assert capsys.readouterr().out.startswith("surroundings matched, a wall of 0 mm, resin of index 1.5")
