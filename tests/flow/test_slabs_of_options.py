"""Designs in slabs with settings that look at more than one slab: they print as those of all slices at once do."""

import pytest

from lightlathe import pipeline
from lightlathe.errors import JobError, SolveError
from lightlathe.flow import prediction
from lightlathe.flow import prepare as prepared
from lightlathe.flow.slabs import Slabs
from lightlathe.job import parse_job
from lightlathe.quantities import Packed
from lightlathe.result import read_partial, read_result, tree, write_partial, write_result

BALL = '[[part]]\nshape = { kind = "sphere", radius_mm = 2.0 }\n'
OPTIONS = {
    "10 bits": ("bits = 8", "bits = 10", ""),
    "weight by coverage": ("", "", 'weight = "coverage"\nloss = "squared_error"\n'),
    "weight of the part": ("", "", "part_weight = 2\n"),
    "graded": ("radius_mm = 2.0 }\n", "radius_mm = 2.0 }\nwanted_dose = 1.3\n", 'loss = "dose_corridor"\n'),
}


def job_of(small_job, folder, old="", new="", more="", iterations=8):
    text = small_job(iterations=iterations)
    text = BALL + text[text.index("[vial]") :] + "bound_iterations = 0\n" + more
    if old and old not in text:
        text, old, new = text.replace("[light]\n", f"[light]\n{new}\n"), "", ""
    return parse_job(text.replace(old, new) if old else text, name="t", folder=folder)


@pytest.fixture
def in_slabs(monkeypatch):
    return lambda slices=6: monkeypatch.setattr(prepared, "slabs_of", lambda *_, **__: Slabs(slices, 5, 9))


@pytest.mark.parametrize("option", OPTIONS)
def test_options_in_slabs(small_job, tmp_path, in_slabs, option):
    job = job_of(small_job, tmp_path, *OPTIONS[option])
    if option == "10 bits":
        assert job.light.bits == 10
    whole = pipeline.design(job)
    in_slabs()
    cut = pipeline.design(job)
    assert isinstance(cut.prediction.dose, Packed)
    assert cut.quality.keys() == whole.quality.keys()
    assert cut.quality["iou"] == pytest.approx(whole.quality["iou"], abs=0.05)


def test_an_earlier_result_to_start_from(small_job, tmp_path, in_slabs):
    write_result(pipeline.design(job_of(small_job, tmp_path)), tmp_path / "before.h5")
    in_slabs()
    job = job_of(small_job, tmp_path, more='start = { kind = "earlier", result = "before.h5" }\n', iterations=2)
    assert pipeline.design(job).quality["iou"] > 0.9


def test_a_state_of_another_kind_of_run_is_refused(small_job, tmp_path, in_slabs):
    """Memory, or the number of processes, has changed meanwhile."""
    job, path = job_of(small_job, tmp_path), tmp_path / "t.partial.h5"

    def stop(state, log):
        write_partial(path, job.text, {}, state, log)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pipeline.design(job, checkpoint=stop)
    in_slabs()
    with pytest.raises(SolveError, match="all slices at once, and this run would go on in slabs"):
        pipeline.design(job, resume=read_partial(path, {}))


SPREAD = "beam = { kind = 'diverging', throw_ratio = 8 }"


def test_light_that_spreads_is_refused_in_slabs(small_job, tmp_path):
    job = job_of(small_job, tmp_path, "unknown", SPREAD, "slab_slices = 4\n")
    with pytest.raises(JobError, match="spread over all slices"):
        pipeline.design(job)


def test_a_large_result_of_light_that_spreads_is_predicted(small_job, tmp_path, monkeypatch):
    record = pipeline.design(job_of(small_job, tmp_path, "unknown", SPREAD, iterations=3))
    write_result(record, tmp_path / "t.h5")
    monkeypatch.setattr(tree, "LARGE", 1000)
    monkeypatch.setattr(prediction, "LOOKED_AT", 4)
    packed = read_result(tmp_path / "t.h5")
    assert isinstance(packed.prediction.dose, Packed)
    again = pipeline.predict(packed)
    assert again.quality["window_relative"] == pytest.approx(record.quality["window_relative"], abs=1e-6)
