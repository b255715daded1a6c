"""Comparing designs: what is varied, runs that resume, the study file read back, ranking with its noise, the plots."""

import math
from types import SimpleNamespace

import h5py
import pytest

from lightlathe.compare import changed, load_plan, run, same_place
from lightlathe.errors import JobError, ResultError
from lightlathe.export.convergence import draw_convergence, so_far
from lightlathe.result.ranking import label, ranking, table
from lightlathe.result.study import read_study

PLAN = """
[study]
jobs = ["small.toml"]
repeats = 2
bound_iterations = 20
[study.set]
"design.iterations" = 6
[study.vary]
"design.loss" = ["gap_hinge", { kind = "gap_hinge", exponent = 4 }]
"design.solver" = ["free_set_ramp"]
"""


@pytest.fixture
def folder(tmp_path, small_job):
    (tmp_path / "small.toml").write_text(small_job())
    (tmp_path / "study.toml").write_text(PLAN)
    return tmp_path


def test_a_study_runs_resumes_and_is_read_back(folder):
    plan, path, begun = load_plan(folder / "study.toml"), folder / "out.study.h5", []

    def stop_at_third(number, count, words):
        begun.append(words)
        if len(begun) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(plan, path, on_run=stop_at_third)
    assert len(read_study(path).runs) == 2
    with pytest.raises(JobError, match="is there already"):
        run(plan, path)
    begun.append("again")
    study = run(plan, path, resume=True, on_run=lambda number, count, words: begun.append(words))
    assert begun == [
        "small: gap_hinge, free_set_ramp",
        "small: gap_hinge, free_set_ramp, repeat 1",
        "small: gap_hinge(exponent=4), free_set_ramp",
        "again",
        "small: gap_hinge(exponent=4), free_set_ramp",
        "small: gap_hinge(exponent=4), free_set_ramp, repeat 1",
    ]
    back = read_study(path)
    assert [r.key for r in back.runs] == [r.key for r in study.runs]
    for read, made in zip(back.runs, study.runs, strict=True):
        assert read.figures == pytest.approx(made.figures, nan_ok=True)
        assert read.log["loss"] == made.log["loss"]
    first = study.runs[0]
    assert first.settings["design"]["loss"]["kind"] == "gap_hinge"
    assert first.figures["iterations"] == 6
    assert first.figures["window_relative"] <= first.figures["window_proven_at_most_with_limit"]
    assert first.figures["window_gap"] == pytest.approx(
        first.figures["window_proven_at_most_with_limit"] - first.figures["window_relative"]
    )
    assert study.runs[1].settings["design"]["start"] == {"kind": "filtered", "disturbed": 0.3, "seed": 1}
    assert study.runs[1].log["loss"][0] != first.log["loss"][0]  # the start was disturbed
    with h5py.File(path) as file:  # h5py alone can read it
        assert file.attrs["format"] == "lightlathe-study"
        assert file["runs/0003/log/window_relative"].shape == (6,)
        assert file["runs/0003/log/seconds"].attrs["units"] == "s"
    text = table(study, "iou_fine")
    assert "gap_hinge(exponent=4), free_set_ramp" in text
    assert "means of 2 runs" in text
    for name in ("plot.png", "plot.svg"):
        assert draw_convergence(study, folder / name, label).stat().st_size > 10_000
    other = folder / "other.toml"
    other.write_text(PLAN.replace('"design.iterations" = 6', '"design.iterations" = 7'))
    with pytest.raises(JobError, match="other values"):
        run(load_plan(other), path, resume=True)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('jobs = ["small.toml"]', 'job = "small.toml"', "unknown key 'job'"),
        ("repeats = 2", "repeats = 0", "a repeat or more"),
        ("repeats = 2", 'rank_by = "beauty"', "rank_by is 'beauty'"),
        ('"design.solver" = ["free_set_ramp"]', '"design.solver" = "free_set_ramp"', "table of lists"),
        ('"design.solver" = ["free_set_ramp"]', '"design.solvr" = ["free_set_ramp"]', "unknown key 'solvr'"),
        ('"design.solver" = ["free_set_ramp"]', 'solver = ["free_set_ramp"]', "does not name a key"),
        ("exponent = 4", "exponent = 0", "exponent is 0"),
        ("[study]", "[other]\n[study]", "has the tables other, study"),
        ("small.toml", "none.toml", "cannot read the job file"),
    ],
)
def test_a_wrong_plan_is_refused_before_anything_runs(folder, old, new, says):
    (folder / "study.toml").write_text(PLAN.replace(old, new))
    with pytest.raises(JobError, match=says):
        run(load_plan(folder / "study.toml"), folder / "out.h5", on_run=lambda *_: pytest.fail("a run began"))


def test_runs_share_their_preparation_where_they_can(folder):
    def place(**changes):
        return same_place(changed(folder / "small.toml", {k.replace("_", ".", 1): v for k, v in changes.items()}, 0))

    assert place(design_loss="logistic") == place(design_solver="adam")
    assert place(grid_finer=3) != place()
    assert place(design_tolerance_mm=0.1) != place()
    assert place(design_level_limit=4.0) != place()  # the proof depends on it


def test_any_key_may_be_varied(folder):
    job = changed(folder / "small.toml", {"resin.absorption_per_mm": 0.2, "turn.angles": 30}, 0)
    assert job.resin.absorption_per_mm == 0.2
    assert job.turn.angles == 30


def study_of(**values):
    """A study of made-up figures: variant -> values over its repeats."""
    runs = [
        SimpleNamespace(job="j", variant={"design.loss": name}, repeat=number, figures={"iou": value})
        for name, several in values.items()
        for number, value in enumerate(several)
    ]
    return SimpleNamespace(runs=runs)


def test_ranking_by_hand():
    """b beats a by 0.02, less than a spreads (0.04): they share rank 1. c is 0.1 behind the leader: rank 3."""
    lines = ranking(study_of(a=[0.90, 0.94], b=[0.94, 0.94], c=[0.84, 0.84], d=[math.nan, 0.9]), "iou")
    assert [(line.variant, line.rank) for line in lines] == [("b", 1), ("a", 1), ("c", 3), ("d", 4)]
    assert lines[1].figures["iou"] == pytest.approx(0.92)
    assert lines[1].spread == pytest.approx(0.04)


def test_ranking_of_single_runs_knows_no_noise():
    study = study_of(a=[0.9], b=[0.9001])
    assert [line.rank for line in ranking(study, "iou")] == [1, 2]
    assert math.isnan(ranking(study, "iou")[0].spread)
    assert "not known" in table(study, "iou")


def test_fewer_seconds_rank_first():
    study = SimpleNamespace(
        runs=[
            SimpleNamespace(job="j", variant={"x": v}, repeat=0, figures={"seconds": s})
            for v, s in (("slow", 9.0), ("quick", 1.0))
        ]
    )
    assert [line.variant for line in ranking(study, "seconds")] == ["quick", "slow"]


def test_labels():
    assert label({"design.loss": {"kind": "gap_hinge", "exponent": 4}, "turn.angles": 90}) == (
        "gap_hinge(exponent=4), angles = 90"
    )


def test_plots_show_the_best_so_far():
    log = {"under_cure_fraction": [0.2, 0.0, 0.1], "over_cure_fraction": [0.0, 0.02, 0.0],
           "window_relative": [math.nan, -0.2, -0.5]}  # fmt: skip
    wrong, window = so_far(log)
    assert wrong == pytest.approx([10, 1, 1])
    assert window.tolist() == [-math.inf, -0.2, -0.2]
    with pytest.raises(ResultError, match="no runs"):
        draw_convergence(SimpleNamespace(runs=()), "x.png", label)
