"""Exposures that are no whole number of turns, by hand."""

from dataclasses import replace

import pytest

from lightlathe import pipeline
from lightlathe.flow.partial_turns import partial_turns
from lightlathe.job import parse_job
from lightlathe.quantities import SOLID


@pytest.fixture(scope="module")
def record(small_job, tmp_path_factory):
    """Turns of 10 s, 60 images, each of which stands."""
    text = small_job(iterations=3).replace("seconds_per_turn = 10", 'seconds_per_turn = 10\nmotion = "stepped"')
    return pipeline.design(parse_job(text + "bound_iterations = 0\n", name="d", folder=tmp_path_factory.mktemp("d")))


def lit_at(record, *images):
    """The record with all images dark but some."""
    levels = record.patterns.levels.clone()
    dark = [image for image in range(len(levels)) if image not in images]
    levels[dark] = 0
    alone = replace(record, patterns=replace(record.patterns, levels=levels, turns=1))
    return replace(alone, prediction=pipeline.predict(alone, finer=False))


@pytest.mark.parametrize(
    ("images", "exposure_s", "least", "most"),
    [
        ([5], 12.5, 2 / 1.25, 2 / 1.25),  # in 1.25 turns the sixth of 60 images is shown twice
        ([50], 12.5, 1 / 1.25, 1 / 1.25),  # the fifty-first once
        ([5], 7.5, 1 / 0.75, 1 / 0.75),
        ([50], 7.5, 0.0, 0.0),  # not at all
        ([14, 15], 12.5, None, None),  # both are counted: between the two
    ],
)
def test_images_shown_once_more_than_others(record, images, exposure_s, least, most):
    alone = lit_at(record, *images)
    inside = alone.part.judged == SOLID
    assert bool((alone.prediction.dose[inside] > 0).all())
    found = partial_turns(alone, exposure_s)
    if least is None:
        assert 1 / 1.25 - 1e-6 <= 1 + found.least_percent / 100 < 1 + found.most_percent / 100 <= 2 / 1.25 + 1e-6
    else:
        assert 1 + found.least_percent / 100 == pytest.approx(least, abs=1e-5)
        assert 1 + found.most_percent / 100 == pytest.approx(most, abs=1e-5)


def test_the_wrong_voxels_are_those_of_the_doses_added_up(record):
    """A turn and a half: the whole turn, and the first 30 images once more, each predicted on its own."""
    found = partial_turns(record, 15.0)
    one = replace(record, patterns=replace(record.patterns, turns=1))
    whole = pipeline.predict(one, exposure_s=10.0, finer=False).dose
    half = pipeline.predict(lit_at(record, *range(30)), exposure_s=10.0, finer=False).dose
    resin, judged = pipeline.job_of(record).resin, record.part.judged
    solid = resin.solid(whole + half)
    wrong = int((solid != (judged == SOLID))[(judged == SOLID) | (judged == 1)].sum())
    assert found.wrong_voxels == pytest.approx(wrong, abs=2)  # doses of a result are rounded to 12 bits
    assert "15 s is 1.5 turns of 10 s. Taken as 2 turns of 7.5 s" in found.text()


def test_whole_turns_are_even(record):
    assert partial_turns(record, 10.0) is None
    assert partial_turns(record, 30.0) is None
