"""Designs slab after slab: the same print as of all slices at once, in little memory, stopped and gone on with."""

import dataclasses
import math

import pytest
import torch

from kept_states import design_with_states, same_design
from lightlathe import pipeline
from lightlathe.beams import Diverging
from lightlathe.errors import JobError
from lightlathe.flow import findings, until_done
from lightlathe.flow import prepare as prepared
from lightlathe.flow.prediction import printed
from lightlathe.flow.quantisation import expose
from lightlathe.flow.slabs import Slabs, need_of, shared_evenly, slabs_of
from lightlathe.job import parse_job
from lightlathe.losses import SoftWindow
from lightlathe.quantities import Field, Grid, unpacked_from
from lightlathe.result.short_floats import RELATIVE_ERROR, shortened_tensor
from lightlathe.solve import Auto
from lightlathe.solve.slab_log import whole_log

BALL = '[[part]]\nshape = { kind = "sphere", radius_mm = 2.0 }\n'
START = 'start = { kind = "uniform" }\nbound_iterations = 0\n'


def job_of(small_job, folder, more=START, iterations=12):
    """A ball, whose slices all differ."""
    text = small_job(iterations=iterations) + more
    return parse_job(BALL + text[text.index("[vial]") :], name="t", folder=folder)


@pytest.fixture
def in_slabs(monkeypatch):
    def use(design, dose=None, fine=None):
        slabs = Slabs(design, dose or design, fine or design)
        monkeypatch.setattr(prepared, "slabs_of", lambda *_, **__: slabs)

    return use


@pytest.fixture
def short(monkeypatch):
    for name, value in {"RAMP": 20, "ROUND": 10, "PLAIN": 10, "TOGETHER": 1}.items():
        monkeypatch.setattr(until_done, name, value)


def same(one, other):
    return torch.equal(unpacked_from(one), unpacked_from(other))


def alike(one, other, abs_=1e-6):
    assert one.keys() == other.keys()
    for name, value in one.items():
        assert other[name] == pytest.approx(value, rel=1e-5, abs=abs_, nan_ok=True), name


def test_any_slabs_give_the_same_design(small_job, tmp_path, in_slabs):
    """From even light (a filtered start is brought to the mean dose of its slab): slices are problems of their own, so
    the same levels whatever the slabs; as of all at once but for the last digits of the unit of the light, which is a
    sum over all voxels."""
    job = job_of(small_job, tmp_path)
    whole = pipeline.design(job)
    records = []
    for design, dose, fine in ((3, 5, 7), (4, 2, 9), (7, 16, 3)):
        in_slabs(design, dose, fine)
        records.append(pipeline.design(job))
    first = records[0]
    assert float((first.patterns.levels.int() - whole.patterns.levels.int()).abs().double().mean()) < 0.5
    assert first.quality["window_relative"] == pytest.approx(whole.quality["window_relative"], abs=0.01)
    for record in records[1:]:
        assert torch.equal(record.patterns.levels, first.patterns.levels)
        assert same(record.prediction.solid, first.prediction.solid)
        assert same(record.prediction.fine_solid, first.prediction.fine_solid)
        alike(first.quality, record.quality)


@pytest.mark.parametrize(
    ("pixel", "slabs"), [(0.25, Slabs(4, 3, 5)), (0.25, Slabs(fine=7)), (0.2, Slabs(dose=3, fine=5))]
)
def test_slabs_judge_a_print_as_the_whole_does(small_job, tmp_path, pixel, slabs):
    """The same patterns: same exposure, same figures on both grids; where rows lie between slices too."""
    job = job_of(small_job, tmp_path, START + "tolerance_voxels = 1\n")
    job = dataclasses.replace(job, light=dataclasses.replace(job.light, pixel_mm=pixel))
    setup = pipeline.prepare(job)
    other = dataclasses.replace(setup, slabs=slabs)
    found = pipeline.design(job, setup=setup).patterns.fractions()
    alike(expose(setup, found)[1].figures(), expose(other, found)[1].figures())
    resin = job.resin.at(30.0)
    a = printed(setup.turning, found, setup.part, setup.fine, resin)
    b = printed(setup.turning, found, setup.part, other.fine, resin, slabs)
    alike(a.quality, b.quality)
    assert same(setup.fine.judged, other.fine.judged)
    assert same(setup.fine.banded, other.fine.banded)
    assert same(a.fine_solid, b.fine_solid)
    torch.testing.assert_close(shortened_tensor(a.dose), unpacked_from(b.dose), rtol=RELATIVE_ERROR * 2, atol=0)


def test_stopped_and_resumed_is_the_same_design(small_job, tmp_path, in_slabs, short):
    """In the first slab and at its end, in a later one, in the rounds of those slices that are left."""
    in_slabs(6)
    text = small_job() + START
    text = BALL + text[text.index("[vial]") :].replace("iterations = 30", 'iterations = "auto"')
    job = parse_job(text, name="t", folder=tmp_path)
    whole, states = design_with_states(job, tmp_path, (1, 19, 20, 21, 33))
    assert whole.log["slabs"][0] == 2
    for state in states.values():
        again = pipeline.design(job, resume=state)
        assert same_design(again, whole)
        assert again.facts["stopped_because"] == whole.facts["stopped_because"]


def test_a_robust_design_goes_slab_by_slab_too(small_job, tmp_path, in_slabs):
    """Stopped in the first slab of the plain stage, in the second, in the robust stage."""
    in_slabs(6)
    job = job_of(small_job, tmp_path, START + "robust = { absorption_percent = [-10, 10] }\n", iterations=8)
    whole, states = design_with_states(job, tmp_path, (3, 15, 27))
    assert whole.quality["window_all_scenarios_robust"] > whole.quality["window_all_scenarios_plain"]
    for state in states.values():
        again = pipeline.design(job, resume=state)
        assert same_design(again, whole)
        assert again.quality["window_all_scenarios_plain"] == whole.quality["window_all_scenarios_plain"]


def test_a_rule_on_time_leaves_no_slab_undesigned(small_job, tmp_path, in_slabs):
    """Each slab gets its share: even if that is one iteration, all of the part is lit."""
    in_slabs(4)
    record = pipeline.design(job_of(small_job, tmp_path, START + "stop = { seconds = 1e-6 }\n", iterations=50))
    assert "s spent" in record.facts["stopped_because"]
    assert record.log["slabs"][0] == 2  # of a ball's 8 unlike slices
    assert len(record.log["slabs"]) < 50
    lit = record.patterns.levels.int().amax((0, 1)) > 0
    rows = (unpacked_from(record.part.judged) == 2).any(0).any(0)
    assert int(lit.sum()) >= int(rows.sum())


def test_coarse_stages_are_refused_where_slices_do_not_fit(small_job, tmp_path, in_slabs):
    in_slabs(4)
    job = job_of(small_job, tmp_path, START + "ladder = [{ coarser = 2, iterations = 6 }]\n")
    with pytest.raises(JobError, match="cannot go slab by slab"):
        pipeline.design(job)


GRID, FIELD = Grid((512, 512, 400), 0.05), Field.whole(512, 400)
CPU = torch.device("cpu")


def limited(small_job, folder, gb, finer=2):
    job = job_of(small_job, folder)
    job = dataclasses.replace(job, grid=dataclasses.replace(job.grid, finer=finer))
    job = dataclasses.replace(job, turn=dataclasses.replace(job.turn, angles=360))
    return dataclasses.replace(job, design=dataclasses.replace(job.design, memory_limit_gb=gb))


def test_slabs_take_no_more_than_the_limit(small_job, tmp_path):
    before = None
    for gb in (5.0, 6.0, 8.0, 100.0):
        job = limited(small_job, tmp_path, gb)
        slabs = slabs_of(job, GRID, FIELD, CPU)
        need = need_of(GRID, (360, 512, 400), solver=Auto(), loss=SoftWindow(), device="cpu", finer=2)
        if gb == 100.0:
            assert slabs.design is None
            assert slabs.where(CPU) == CPU
            continue
        assert slabs.design % 16 == 0
        assert need.held + slabs.design * need.design <= 1e9 * gb
        assert need.held + slabs.fine * need.fine <= 1e9 * gb
        assert before is None or slabs.design >= before.design
        before = slabs


def test_what_a_job_asks_for_is_its_slab_on_any_number_of_processes():
    assert [Slabs().at_most(6, processes, 16, 2).design for processes in (1, 2, 3, 8)] == [6, 6, 6, 6]
    assert [Slabs().at_most(None, processes, 16, 2).design for processes in (1, 2, 3)] == [None, 8, 6]
    assert Slabs(4, 4, 8).at_most(6, 2, 16, 2).design == 4  # memory holds no more


@pytest.mark.parametrize("processes", [2, 3, 4, 5, 8, 16, 64])
def test_processes_get_as_much_to_do_as_each_other(processes):
    """Slabs of a gyroid of 1228 slices, of which a card holds 256: no process waits for longer than the work of a
    twentieth of its slices. In slabs as large as fit, 2 processes would wait a seventh of the time, 4 a third."""
    slab = shared_evenly(1228, 256, processes)
    groups = [len(here) for here in torch.arange(1228).split(slab)]
    longest = sum(max(groups[first : first + processes]) for first in range(0, len(groups), processes))
    assert slab <= 256
    assert longest * processes <= 1.05 * 1228
    assert [shared_evenly(3, 256, 8), shared_evenly(40, 4, 2), shared_evenly(8, 20, 2)] == [1, 4, 4]


def test_a_rule_that_slabs_do_not_keep_is_said(small_job, tmp_path, in_slabs):
    job = job_of(small_job, tmp_path, START + "stop = { wrong_voxels = 5 }\n")
    assert not any("wrong_voxels" in line for line in pipeline.prepare(job).warnings)
    in_slabs(4)
    assert any("wrong_voxels" in line for line in pipeline.prepare(job).warnings)


def test_a_limit_below_one_slice_says_what_one_takes(small_job, tmp_path):
    with pytest.raises(JobError, match=r"memory_limit_gb in \[design\] leaves .* one slice at a time takes"):
        slabs_of(limited(small_job, tmp_path, 1.0), GRID, FIELD, CPU)


def test_a_rule_that_one_slab_meets_does_not_end_the_others(small_job, tmp_path, in_slabs, short):
    """A ball's widest slices reach a window that its narrowest do not: the design goes on, and says nothing of it."""
    in_slabs(2)
    text = small_job() + START + "stop = { window = 0.45 }\n"
    text = BALL + text[text.index("[vial]") :].replace("iterations = 30", 'iterations = "auto"')
    record = pipeline.design(parse_job(text, name="t", folder=tmp_path))
    assert record.quality["window_relative"] < 0.45
    assert "process window" not in record.facts["stopped_because"]
    easy = parse_job(text.replace("0.45", "0.05"), name="t", folder=tmp_path)
    assert pipeline.design(easy).facts["stopped_because"] == "process window of 0.05 reached in every slab"


def test_the_log_is_of_the_whole():
    log = {"iteration": [0, 5, 0, 5, 10], "slab": [0, 0, 1, 1, 0], "best_window": [0.1, 0.3, 0.2, math.nan, 0.4],
           "loss": [1, 2, 3, 4, 5], "best_wrong": [1, 0, 2, 1, 0], "seconds": [1, 2, 3, 4, 5]}  # fmt: skip
    whole = whole_log(log)
    assert whole["iteration"] == [0, 5, 10]
    assert whole["best_window"] == pytest.approx([0.1, math.nan, 0.4], nan_ok=True)
    assert whole["loss"] == [2, 3, 5]
    assert whole["best_wrong"] == [3, 1, 0]
    assert whole["seconds"] == [3, 4, 5]
    assert whole["slabs"] == [2, 2, 1]


def test_rows_that_spread_are_never_cut(small_job, tmp_path):
    """Light of a lens lights all slices: where memory is asked to be less, that is said before the design."""
    job = limited(small_job, tmp_path, 1.2)
    job = dataclasses.replace(job, light=dataclasses.replace(job.light, beam=Diverging(throw_ratio=1.4)))
    with pytest.raises(JobError, match="the rows of this beam spread over all slices"):
        slabs_of(job, GRID, FIELD, CPU)
    free = dataclasses.replace(job, design=dataclasses.replace(job.design, memory_limit_gb=None))
    assert slabs_of(free, GRID, FIELD, CPU).fine is None


def test_memory_that_runs_out_while_it_is_judged_keeps_the_design(small_job, tmp_path, monkeypatch, caplog):
    job, calls = job_of(small_job, tmp_path), []
    whole = pipeline.design(job)

    def judged(*args):
        calls.append(1)
        if len(calls) == 1:
            raise torch.OutOfMemoryError("CUDA out of memory")
        return findings.judged(*args)

    monkeypatch.setattr(pipeline, "judged", judged)
    again = pipeline.design(job)
    assert "out of memory; the print is judged anew, 10 slices at a time" in caplog.text
    assert torch.equal(again.patterns.levels, whole.patterns.levels)
    assert len(again.log["loss"]) == 12
    alike(whole.quality, again.quality)


def test_regions_to_keep_liquid_are_counted_in_slabs(small_job, tmp_path, in_slabs):
    more = '[[part]]\nshape = { kind = "cylinder", radius_mm = 0.5, height_mm = 5.0 }\nrole = "keep_liquid"\n'
    text = small_job() + START
    job = parse_job(BALL + more + text[text.index("[vial]") :], name="t", folder=tmp_path)
    whole = pipeline.prepare(job)
    in_slabs(3)
    cut = pipeline.prepare(job)
    assert cut.warnings == whole.warnings
    assert any("keep liquid" in line for line in cut.warnings)
    assert same(cut.part.judged, whole.part.judged)
