"""Metrics of the user's own, what a study keeps of its runs, and its table for other programs."""

import csv
import math

import numpy as np
import pytest

import lightlathe as ll
from lightlathe.cli.main import main
from lightlathe.errors import JobError, ResultError
from lightlathe.study.file import read_study
from lightlathe.study.metrics import known_figures
from lightlathe.study.plan import load_plan
from lightlathe.study.rows import study_table, write_csv
from lightlathe.study.runs import Run, Study
from studies import PLAN, made

MINE = '''
def contrast(record):
    """Mean dose of the part over that around it."""
    dose, judged = record.prediction.dose, record.part.judged
    return float(dose[judged == 2].mean() / dose[judged == 1].mean())


def fails_on_large(record):
    if record.part.grid.voxels > 2000:
        raise ValueError("too large for me")
    return 1.0


def words(record):
    return "good"
'''
ONE = PLAN.replace("repeats = 2", "repeats = 1").replace("bound_iterations = 20", "bound_iterations = 0")


def plan_with(*lines):
    return ONE.replace("[study.set]", "\n".join([*lines, "[study.set]"]))


@pytest.fixture
def folder(tmp_path, small_job):
    (tmp_path / "small.toml").write_text(small_job().replace("voxel_mm = 0.25", "voxel_mm = 0.25\nfiner = 1"))
    (tmp_path / "mine.py").write_text(MINE)
    return tmp_path


def test_metrics_rank_a_study_and_keep_their_values(folder, capsys, monkeypatch):
    """The value is that of the kept result, worked out here from its dose."""
    plan = plan_with('metrics = ["mine.py:contrast", "homogeneity"]', 'rank_by = "mine.py:contrast"', 'keep = "result"')
    study, name = made(folder, plan), f"{folder}/mine.py:contrast"
    assert study.metrics == (name, "homogeneity")
    for run in study.runs:
        record = ll.read_result(folder / f"{run.facts['kept']}.lathe.h5")
        dose, judged = record.prediction.dose.double(), record.part.judged
        assert run.figures[name] == pytest.approx(float(dose[judged == 2].mean() / dose[judged == 1].mean()), rel=1e-3)
    (folder / "mine.py").unlink()  # a study shows what it holds and runs nothing
    monkeypatch.chdir(folder)
    assert main(["compare", "out.study.h5"]) == 0
    said = capsys.readouterr().out
    assert "ranked by" in said
    assert "mine.py:contrast" in said.splitlines()[1]
    assert "homogeneity" in said.splitlines()[1]
    assert main(["compare", "out.study.h5", "--rank-by", "mine.py:contrast"]) == 0
    rows = study_table(study, by="variant")
    assert [row[name] for row in rows] == sorted((row[name] for row in rows), reverse=True)


def test_a_metric_that_fails_costs_no_run(folder):
    study = made(folder, plan_with('metrics = ["mine.py:fails_on_large"]'))
    for run in study.runs:
        assert math.isnan(run.figures[f"{folder}/mine.py:fails_on_large"])
        assert "too large for me" in run.facts["metric_failed"]
        assert run.figures["iou"] > 0


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('metrics = ["homogenity"]', "no figure 'homogenity'. Did you mean 'homogeneity'"),
        ('metrics = ["mine.py:none"]', "has no function or class"),
        ('metrics = ["mine.py:words"]', "gives nan|expected a number"),
        ('keep = "doses"', "keep is 'doses'; expected patterns, dose or result"),
        ('rank_by = "beauty"', "one of metrics, or a function of yours"),
    ],
)
def test_what_cannot_be_is_an_error_before_any_design(folder, line, message):
    if "words" in line:  # a text is no number: NaN, as for a ranking figure
        assert all(math.isnan(run.figures[f"{folder}/mine.py:words"]) for run in made(folder, plan_with(line)).runs)
        return
    with pytest.raises(JobError, match=message):
        made(folder, plan_with(line))
    assert not (folder / "out.study.h5").exists()


def test_every_figure_of_a_run_can_be_named(folder):
    study = made(folder, ONE.replace("bound_iterations = 0", "bound_iterations = 5"))
    assert set(study.runs[0].figures) <= known_figures()


def test_patterns_and_dose_of_each_run_are_kept(folder):
    study = made(folder, plan_with('keep = ["patterns", "dose", "result"]'))
    assert [run.facts["kept"] for run in study.runs] == ["out.study.runs/0000", "out.study.runs/0001"]
    for run in study.runs:
        at = folder / run.facts["kept"]
        record = ll.read_result(at.with_name(f"{at.name}.lathe.h5"))
        levels = np.load(at.with_name(f"{at.name}.patterns.npy"))
        field = record.patterns.field
        assert levels.shape == (60, 40, 20) == (60, field.columns, field.rows)
        lit = record.patterns.levels.numpy()
        rows = slice(field.first_row, field.first_row + lit.shape[2])
        assert (levels[:, field.first_column : field.first_column + lit.shape[1], rows] == lit).all()
        assert levels.sum(dtype=np.int64) == lit.sum(dtype=np.int64) > 0  # dark elsewhere
        dose = np.load(at.with_name(f"{at.name}.dose.npy"))
        np.testing.assert_allclose(dose, record.prediction.dose.numpy(), rtol=2**-12)  # a result rounds to 12 bits
    (folder / "out.study.h5").unlink()
    with pytest.raises(JobError, match="with runs of another study"):
        made(folder, plan_with('keep = "dose"'))


def test_processor_time_is_kept(folder):
    for run in made(folder, ONE).runs:
        assert 0 < run.figures["cpu_seconds"] < 100


def a_study():
    facts = {"processor": "p", "threads": 2}
    runs = [
        Run("j", {"design.loss": loss, "turn.angles": 60}, n, {}, {"iou": value, "seconds": 1.0 + n}, {}, facts)
        for loss, values in (("a", (0.5, 0.75)), ({"kind": "b", "exponent": 4}, (1.0, 1.0)))
        for n, value in enumerate(values)
    ]
    return Study("s", '{"rank_by": "iou"}', tuple(runs))


def test_the_table_of_runs_by_hand():
    rows = study_table(a_study())
    assert rows[1] == {
        "job": "j", "design.loss": "a", "turn.angles": 60, "repeat": 1, "iou": 0.75, "seconds": 2.0, "processor": "p",
        "threads": 2,
    }  # fmt: skip
    assert rows[2]["design.loss"] == '{"kind": "b", "exponent": 4}'
    assert len(rows) == 4


def test_the_table_of_variants_by_hand():
    rows = study_table(a_study(), by="variant")
    assert [(row["rank"], row["iou"], row["iou_spread"], row["seconds_spread"], row["runs"]) for row in rows] == [
        (1, 1.0, 0.0, 1.0, 2),
        (2, 0.625, 0.25, 1.0, 2),
    ]
    assert [row["seconds"] for row in study_table(a_study(), by="variant", rank_by="seconds")] == [1.5, 1.5]
    with pytest.raises(ResultError, match="ranked by 'beauty'"):
        study_table(a_study(), by="variant", rank_by="beauty")


def test_the_table_as_a_data_frame():
    pandas = pytest.importorskip("pandas")
    frame = study_table(a_study(), frame=True)
    assert isinstance(frame, pandas.DataFrame)
    assert frame.groupby("design.loss", sort=False)["iou"].mean().tolist() == [0.625, 1.0]


def test_csv_is_read_by_another_reader_and_replaces_nothing_else(tmp_path):
    path = write_csv(a_study(), tmp_path / "runs.csv")
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["iou"]) for row in rows] == [0.5, 0.75, 1.0, 1.0]
    assert rows[3]["design.loss"] == '{"kind": "b", "exponent": 4}'
    write_csv(a_study(), path)
    other = tmp_path / "mine.csv"
    other.write_text("path [mm],transmission [%]\n")
    with pytest.raises(ResultError, match="not replaced"):
        write_csv(a_study(), other)
    with pytest.raises(ResultError, match=r"\.csv file in a folder that there is"):
        write_csv(a_study(), tmp_path / "none" / "runs.csv")


def test_the_study_file_by_its_path(folder):
    study = made(folder, ONE)
    rows = ll.study_table(folder / "out.study.h5")
    assert [row["iou"] for row in rows] == [run.figures["iou"] for run in study.runs]
    assert main(["compare", str(folder / "out.study.h5"), "--csv", str(folder / "runs.csv")]) == 0
    assert len((folder / "runs.csv").read_text().splitlines()) == 3
    assert read_study(folder / "out.study.h5").metrics == ()
    assert load_plan(folder / "study.toml").metrics == ()
