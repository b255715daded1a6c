"""Slabs of slices that share rows of light: near what a design of all at once gives, stopped and gone on with."""

import dataclasses

import pytest

from kept_states import design_with_states, same_design
from lightlathe import pipeline
from lightlathe.errors import JobError
from lightlathe.flow import overlapped
from lightlathe.flow import prepare as prepared
from lightlathe.flow.slabs import Slabs
from lightlathe.job import parse_job

LIGHT = {
    "rows between slices": "pixel_mm = 0.3",
    "blur along z": 'pixel_mm = 0.25\npixel_shape = "square"\nblur_mm = 0.1',
}


def job_of(small_job, folder, light, iterations=40, more=""):
    """A ball of 4 mm, whose slices all differ."""
    text = small_job(iterations=iterations)
    ball = '[[part]]\nshape = { kind = "sphere", radius_mm = 2.0 }\n'
    text = ball + text[text.index("[vial]") :].replace("pixel_mm = 0.25", light)
    return parse_job(text + "bound_iterations = 0\n" + more, name="t", folder=folder)


@pytest.fixture
def in_slabs(monkeypatch):
    def use(slices):
        monkeypatch.setattr(prepared, "slabs_of", lambda *_, **__: Slabs(slices, 5, 9))

    return use


@pytest.mark.parametrize("light", LIGHT)
def test_slabs_print_nearly_as_well_as_all_slices_at_once(small_job, tmp_path, in_slabs, light):
    """The windows differ by less than 0.03 (benchmarks/QUALITY.md has larger parts); every figure is of the patterns
    put together, so nothing is hidden at the seams."""
    job = job_of(small_job, tmp_path, LIGHT[light])
    whole = pipeline.design(job)
    in_slabs(18)
    cut = pipeline.design(job)
    assert cut.log["slabs"][0] > 1
    assert cut.quality["window_relative"] == pytest.approx(whole.quality["window_relative"], abs=0.03)
    assert cut.quality["iou"] > whole.quality["iou"] - 0.01
    again = pipeline.predict(dataclasses.replace(cut))
    assert again.quality["window_relative"] == pytest.approx(cut.quality["window_relative"], abs=1e-6)


def test_a_slab_of_everything_is_the_design_of_everything(small_job, tmp_path, in_slabs):
    """But for the rounding of what is kept, and levels that are the nearest ones."""
    job = job_of(small_job, tmp_path, LIGHT["blur along z"], iterations=10)
    whole = pipeline.design(job)
    in_slabs(10_000)
    cut = pipeline.design(job)
    assert float((cut.patterns.levels.int() - whole.patterns.levels.int()).abs().double().mean()) < 0.1
    assert cut.log["loss"] == pytest.approx(whole.log["loss"], rel=1e-4)


def test_stopped_and_resumed(small_job, tmp_path, in_slabs):
    """In the first slab, at its end, in a later one: the same levels."""
    in_slabs(18)
    job = job_of(small_job, tmp_path, LIGHT["blur along z"], iterations=10)
    whole, states = design_with_states(job, tmp_path, (3, 10, 12))
    for state in states.values():
        assert same_design(pipeline.design(job, resume=state), whole)


def test_slices_without_part_are_passed_over(small_job, tmp_path, in_slabs):
    """Two discs with more empty slices between them than a slab has: a slab without part has nothing to design."""
    light = LIGHT["rows between slices"]
    job = job_of(small_job, tmp_path, light, iterations=12)
    discs = "".join(
        f'[[part]]\nshape = {{ kind = "cylinder", radius_mm = 1.5, height_mm = 0.75, at_mm = [0, 0, {z}] }}\n'
        for z in (-4.0, 4.0)
    )
    text = discs + job.text[job.text.index("[vial]") :].replace("rows = 20", "rows = 60")
    job = parse_job(text, name="t", folder=tmp_path)
    in_slabs(12)
    record = pipeline.design(job)
    assert record.log["slabs"][0] == 2
    assert record.quality["iou"] > 0.9


def test_slabs_too_thin_for_their_neighbours_are_refused(small_job, tmp_path, in_slabs):
    in_slabs(2)
    with pytest.raises(JobError, match="slices of its neighbours on either side"):
        pipeline.design(job_of(small_job, tmp_path, LIGHT["blur along z"]))


def test_the_reach_of_a_row(small_job, tmp_path):
    """Rows that are slices reach none; rows 0.3 mm apart, linear between, light slices of 0.25 mm up to 0.3 mm away:
    centres 2 slices apart share one."""
    setup = pipeline.prepare(job_of(small_job, tmp_path, "pixel_mm = 0.25"))
    assert overlapped.reach_of(setup.operator) == 0
    setup = pipeline.prepare(job_of(small_job, tmp_path, LIGHT["rows between slices"]))
    assert overlapped.reach_of(setup.operator) == 2
