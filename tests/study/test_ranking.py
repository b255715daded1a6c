"""Ranks, spreads, ties and what moves the figure: every number here is worked by hand from the few values given."""

import math

import pytest

from lightlathe.errors import ResultError
from lightlathe.study.ranking import effects, label, rank_figure, ranking
from lightlathe.study.runs import Run, Study
from lightlathe.study.table import one_line, table

NAN = math.nan


def a_run(variant, repeat=0, job="j", failed=None, **figures):
    facts = {"processor": "a processor", "threads": 2, "program_version": "0", "created_utc": "2026-11-25T10:00:00"}
    return Run(job, variant, repeat, {}, figures, {}, facts if failed is None else {**facts, "failed": failed})


def study_of(figure="iou", **values):
    """Runs of made-up figures: loss -> values over its repeats."""
    runs = [
        a_run({"design.loss": name}, number, **{figure: value})
        for name, several in values.items()
        for number, value in enumerate(several)
    ]
    return Study("s", '{"rank_by": "iou"}', tuple(runs))


def ranks(study, rank_by="iou"):
    return [(line.name, line.rank) for line in ranking(study, rank_by)]


def test_a_spread_that_hides_the_order_gives_a_shared_rank():
    """b beats a by 0.02, less than a spreads (0.04): they share rank 1. c is 0.1 behind the leader: rank 3."""
    study = study_of(a=[0.90, 0.94], b=[0.94, 0.94], c=[0.84, 0.84], d=[NAN, 0.9])
    assert ranks(study) == [("b", 1), ("a", 1), ("c", 3), ("d", 4)]
    lines = ranking(study, "iou")
    assert lines[1].figures["iou"] == pytest.approx(0.92)
    assert lines[1].spread == pytest.approx(0.04)
    assert lines[0].spread == 0
    assert lines[2].runs == 2


def test_ties_are_with_the_leader_of_the_rank():
    """Spreads of 0.02: b (0.01 behind a) shares rank 1; c, 0.03 behind a, does not though it is 0.02 behind b."""
    study = study_of(a=[0.89, 0.91], b=[0.88, 0.90], c=[0.86, 0.88], d=[0.851, 0.871])
    assert ranks(study) == [("a", 1), ("b", 1), ("c", 3), ("d", 3)]


def test_a_difference_as_large_as_the_spread_is_not_more_than_chance():
    study = study_of("seconds", a=[1.0, 2.0], b=[2.0, 3.0], c=[2.125, 3.125])  # means 1.5, 2.5, 2.625: exact in binary
    assert ranks(study, "seconds") == [("a", 1), ("b", 1), ("c", 3)]


def test_equal_values_share_a_rank_even_as_single_runs():
    assert ranks(study_of(a=[0.5], b=[0.5], c=[0.4])) == [("a", 1), ("b", 1), ("c", 3)]


def test_single_runs_know_no_noise():
    study = study_of(a=[0.9], b=[0.9001])
    assert ranks(study) == [("b", 1), ("a", 2)]
    assert math.isnan(ranking(study, "iou")[0].spread)
    assert "not known" in table(study, "iou")


@pytest.mark.parametrize("figure", ["seconds", "wrong_voxels", "wrong_voxels_fine", "light_mj"])
def test_fewer_are_better(figure):
    assert ranks(study_of(figure, slow=[9.0], quick=[1.0]), figure) == [("quick", 1), ("slow", 2)]


def test_failures_come_last_together_and_are_told():
    runs = (
        a_run({"x": 1}, iou=0.5),
        a_run({"x": 2}, failed="SolveError: NaN at step 3"),
        a_run({"x": 3}, failed="SolveError: NaN at step 4"),
    )
    study = Study("s", "{}", runs)
    assert [line.rank for line in ranking(study, "iou")] == [1, 2, 2]
    text = table(study, "iou")
    assert "x = 2 failed: SolveError: NaN at step 3" in text
    assert one_line(runs[1]) == "j: x = 2: SolveError: NaN at step 3"


def test_variants_are_told_apart_by_value_not_by_name():
    """A text and a table may read alike; they are two variants of one run each, not one of two."""
    study = Study("s", "{}", (a_run({"k": "a(b=1)"}, iou=0.5), a_run({"k": {"kind": "a", "b": 1}}, iou=0.5)))
    assert [line.runs for line in ranking(study, "iou")] == [1, 1]


def test_jobs_are_ranked_apart():
    runs = (
        a_run({"x": 1}, job="one", iou=0.2),
        a_run({"x": 1}, job="two", iou=0.9),
        a_run({"x": 2}, job="one", iou=0.3),
    )
    lines = ranking(Study("s", "{}", runs), "iou")
    found = [(line.job, line.name, line.rank) for line in lines]
    assert found == [("one", "x = 2", 1), ("one", "x = 1", 2), ("two", "x = 1", 1)]


def test_what_moves_the_figure_by_hand():
    """loss with adam: 0.9 to 0.6, with lbfgs 0.9 to 0.8, so 0.2 typically, 0.3 at most; solver: 0 and 0.2, so 0.1."""
    values = {("p", "adam"): 0.9, ("q", "adam"): 0.6, ("p", "lbfgs"): 0.9, ("q", "lbfgs"): 0.8}
    runs = tuple(a_run({"design.loss": a, "design.solver": b}, iou=v) for (a, b), v in values.items())
    found = {e.key: (e.median, e.largest) for e in effects(ranking(Study("s", "{}", runs), "iou"), "iou")}
    assert found["design.loss"] == pytest.approx((0.2, 0.3))
    assert found["design.solver"] == pytest.approx((0.1, 0.2))
    assert "another design.loss, all else the same, moves IoU by 0.2000 (median), 0.3000 (max)" in table(
        Study("s", "{}", runs), "iou"
    )


def test_one_bad_value_does_not_hide_that_the_others_are_alike():
    """Pairs of 0.9, 0.9, 0.9, 0.1: three of 0 and three of 0.8, so 0.4; with one more 0.9: six of 0, four of 0.8: 0."""
    study = study_of(a=[0.9], b=[0.9], c=[0.9], bad=[0.1])
    assert effects(ranking(study, "iou"), "iou")[0].median == pytest.approx(0.4)
    (effect,) = effects(ranking(study_of(a=[0.9], b=[0.9], c=[0.9], d=[0.9], bad=[0.1]), "iou"), "iou")
    assert (effect.median, effect.largest) == pytest.approx((0, 0.8))


def test_a_key_of_one_value_moves_nothing_and_is_not_named():
    runs = (a_run({"a": 1, "b": 1}, iou=0.2), a_run({"a": 2, "b": 1}, iou=0.3))
    assert [e.key for e in effects(ranking(Study("s", "{}", runs), "iou"), "iou")] == ["a"]


def test_the_table_as_a_whole():
    study = study_of(a=[0.90, 0.94], b=[0.94, 0.94], c=[0.84, 0.84])
    assert table(study, "iou").splitlines()[:9] == [
        "j, ranked by IoU (iou)",
        "  rank         IoU  spread  true IoU  wrong  window  to bound  light mJ  iterations  right after  seconds  "
        "CPU s",
        "     1=  b  0.9400  0.0000         -      -       -         -         -           -            -        -   "
        "   -",
        "     1=  a  0.9200  0.0400         -      -       -         -         -           -            -        -   "
        "   -",
        "     3   c  0.8400  0.0000         -      -       -         -         -           -            -        -   "
        "   -",
        "  another design.loss, all else the same, moves IoU by 0.0800 (median), 0.1000 (max)",
        "  chance, a start disturbed at random, moves it by 0.0000 (median), 0.0400 (max): the spread over 2 runs,",
        "  whose means are above; = where the spread hides the order",
        "",
    ]
    assert "6 runs; card, processor, threads: a processor 2; lightlathe 0; 2026-11-25" in table(study, "iou")
    assert "several machines" not in table(study, "iou")


def test_seconds_of_several_machines_are_not_compared():
    one, two = a_run({"x": 1}, seconds=1.0), a_run({"x": 2}, seconds=2.0)
    two.facts["threads"] = 1
    assert "seconds are of several machines" in table(Study("s", "{}", (one, two)), "seconds")


def test_an_empty_study_says_so():
    assert table(Study("s", "{}"), "iou") == "s: no runs yet."


def test_unknown_figures_are_refused():
    assert rank_figure("seconds") == "seconds"
    with pytest.raises(ResultError, match="ranked by 'beauty'; expected one of iou_fine"):
        rank_figure("beauty")


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        (
            {"design.loss": {"kind": "gap_hinge", "exponent": 4}, "turn.angles": 90},
            "gap_hinge(exponent=4), angles = 90",
        ),
        ({"design.loss": "soft_window", "grid.voxel_mm": 0.12}, "soft_window, voxel_mm = 0.12"),
        ({"design.level_limit": 10.0000001}, "level_limit = 10.0000001"),
        ({"part.centre": False}, "centre = False"),
        ({"design.ladder": [{"coarser": 2, "iterations": 4}]}, "ladder = [(coarser=2, iterations=4)]"),
        ({"design.ladder": []}, "ladder = []"),
        ({}, ""),
    ],
)
def test_labels(variant, words):
    assert label(variant) == words


def test_a_study_knows_what_it_was_ranked_by():
    assert study_of(a=[1.0]).rank_by == "iou"
