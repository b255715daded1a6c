"""Members of every family from a user's own file: read but not run, tried before long work, told in one error."""

import copy
import dataclasses
import pickle
import tomllib

import numpy as np
import pytest
import torch

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.errors import JobError, LightlatheError
from lightlathe.flow.solids import load_solids
from lightlathe.job import load_job, parse_job, resolved
from lightlathe.job.toml import toml_of
from lightlathe.resins.own import absorbing
from lightlathe.result import read_result, write_result
from lightlathe.study.own import OwnFigure
from lightlathe.support import own_file

HEAD = """
import dataclasses, numpy as np, torch
from lightlathe.beams import Telecentric
from lightlathe.part.shapes import Cylinder
from lightlathe.part.voxels import Voxels
from lightlathe.resins import Threshold
from lightlathe.solve.starts import Uniform
with open(__file__ + ".ran", "a") as ran: ran.write("x")
class Resin:
    absorption_per_mm, liquid_below_mj_cm3, gel_mj_cm3, solid_above_mj_cm3 = 0.1, 40.0, 42.0, 44.0
    def solid(self, dose): return dose > self.gel_mj_cm3
    def at(self, exposure_s): return self
class Still:
    def begin(self, patterns, problem): return {"trial": patterns}
    def advance(self, state, at, problem): return state
    def restage(self, state): return state
"""
PLACES = {
    "shape": ("part", "shape"), "resin": ("resin", "kind"), "beam": ("light", "beam"),
    "response": ("light", "response"), "loss": ("design", "loss"), "penalties": ("design", "penalties"),
    "solver": ("design", "solver"), "start": ("design", "start"), "stop": ("design", "stop"),
}  # fmt: skip
GOOD = {
    "shape": "def it(): return Cylinder(2.0, 1.0)",
    "resin": "it = Resin",
    "beam": "def it(**light): return Telecentric().chords(**light)",
    "response": "def it(code): return code",
    "loss": "def it(dose, target): return (dose - 1).square().mean()",
    "penalties": "def it(patterns): return patterns.square().mean()",
    "solver": "class it(Still): pass",
    "start": "def it(problem): return Uniform()(problem)",
    "stop": "def it(row): return None",
}


@pytest.fixture
def job_with(small_job, tmp_path):
    """A job whose one member comes from mine.py, which holds this code; written as job.toml too."""

    def job(family, code, iterations=2):
        (tmp_path / "mine.py").write_text(HEAD + code)
        tables = tomllib.loads(small_job(iterations=iterations))
        table, key = PLACES[family]
        if table in ("part", "resin"):
            tables[table] = {}
        tables.setdefault(table, {})[key] = ["mine.py:it"] if family == "penalties" else "mine.py:it"
        tables["design"] |= {"bound_iterations": 0}
        (tmp_path / "job.toml").write_text(toml_of(tables))
        return load_job(tmp_path / "job.toml")

    return job


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    """Python that a result holds leaves its mark in the current folder."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def ran(tmp_path):
    return lambda: len((tmp_path / "mine.py.ran").read_text()) if (tmp_path / "mine.py.ran").exists() else 0


@pytest.mark.parametrize("family", PLACES)
def test_a_job_is_read_shown_and_copied_without_running_it_and_designed_with_it(family, job_with, ran, tmp_path):
    job = job_with(family, GOOD[family])
    (member,) = job.own
    settings = resolved(job)
    assert "mine.py:it" in str(settings)
    back = parse_job(toml_of(pipeline_settings(settings)), name="again", folder=tmp_path)
    assert resolved(back) == settings
    assert "mine.py:it" in repr(copy.deepcopy(job))
    assert pickle.loads(pickle.dumps(member)).name == "mine.py:it"
    assert ran() == 0
    record = pipeline.design(job)
    assert ran() == 1
    assert record.settings["files"]["mine.py"] == member.source.sha256
    check_runs = family in ("shape", "resin", "beam", "response")
    assert len(job.own_of_print) == check_runs
    assert pipeline.check(load_job(tmp_path / "job.toml"))
    assert ran() == 1 + check_runs


def pipeline_settings(value):
    """Settings without what was left out, as a job file has them."""
    if isinstance(value, dict):
        return {k: pipeline_settings(v) for k, v in value.items() if v is not None}
    return [pipeline_settings(v) for v in value] if isinstance(value, list) else value


@pytest.mark.parametrize(
    ("family", "code", "says"),
    [
        ("shape", "def it(): return 3", "gives int without bounds_mm"),
        ("shape", "def it(): return np.zeros((2, 2, 2))", "without bounds_mm"),
        ("shape", "class it(Cylinder):\n    def __init__(self): super().__init__(2.0, 1.0)\n    volume_mm3 = 1.0",
         "coverage adds up to .* and volume_mm3 is 1;"),
        ("shape", "class it(Cylinder):\n    def __init__(self): super().__init__(2.0, 1.0)\n    reach_mm = 1.5",
         r"coverage reaches 1\.9.* mm from the axis and reach_mm is 1\.5;"),
        ("shape", "class it(Cylinder):\n    def __init__(self): super().__init__(2.0, 1.0)\n"
         "    def coverage(self, grid, device): return torch.zeros(1)", "coverage gives torch.float32"),
        ("shape", "class it(Cylinder):\n    def __init__(self): super().__init__(2.0, 1.0)\n"
         "    def coverage(self, grid, device): return 2 * super().coverage(grid, device)", "outside 0..1"),
        ("resin", "class it: pass", "absorption_per_mm is None"),
        ("resin", "class it(Resin): gel_mj_cm3 = 50.0", "doses in this order"),
        ("resin", "class it(Resin):\n    def solid(self, dose): return dose", "expected a bool tensor"),
        ("resin", "class it(Resin):\n    def solid(self, dose): return dose > 1e9", "expected liquid and solid"),
        ("resin", "class it(Resin):\n    def at(self, exposure_s): return 5", "absorption_per_mm at 10 s is None"),
        ("resin", "class it(Resin):\n    def at(self, exposure_s): 1 / 0", "fails when it is tried .*ZeroDivision"),
        ("beam", "class it: pass", r"has no chords\(...\)"),
        ("beam", "def it(**light): return 3", "gives int; expected lightlathe.Chords"),
        ("beam", "def it(**light): return Telecentric().chords(**{**light, 'columns': 2})", r"\(4, 2, 3\)"),
        ("beam", "def it(**light): return Telecentric().chords(**{**light, 'axis_offset_mm': 0.0})", "that is off"),
        ("beam", "def it(**light):\n    c = Telecentric().chords(**light)\n"
         "    return dataclasses.replace(c, transmittance=c.transmittance * float('nan'))",
         "transmittance is .*expected finite float64"),
        ("beam", "def it(angle_rad): pass", "fails: TypeError"),
        ("response", "def it(code): return list(code)", "gives list for 256 codes"),
        ("response", "def it(code): return code[::-1].copy()", "light goes from 1 to 0"),
        ("response", "def it(code): return code / 2", "light goes from 0 to 0.5"),
        ("loss", "def it(dose, target): return 3.0", "gives float; expected a scalar"),
        ("penalties", "def it(patterns): return patterns", r"gives \(2, 3, 2\)"),
        ("penalties", "def it(patterns): return torch.tensor(1.0)", "does not depend on the patterns"),
        ("solver", "class it: pass", r"has no begin\(...\)"),
        ("solver", "class it(Still): advance = None", r"has no advance\(...\)"),
        ("solver", "class it(Still):\n    def begin(self, patterns, problem): return {}", "gives no 'trial'"),
        ("solver", "class it(Still):\n    def begin(self, patterns, problem): return patterns", "flat dict of tensors"),
        ("solver", "class it(Still):\n    def advance(self, state, at, problem): return {'trial': -state['trial']}",
         "advance gives a trial that is light of -1 to -1; expected levels of 0 to 10"),
        ("start", "def it(problem): return torch.ones(3)", r"gives torch.float32 \(3,\)"),
        ("start", "def it(problem): return -Uniform()(problem)", "light of -1 to -1"),
        ("start", "def it(problem): return Uniform()(problem) * float('nan')", "light of nan"),
        ("stop", "def it(row): return True", "gives True; expected why to stop, in words, or None"),
        ("stop", "def it(row): return row['beauty']", "KeyError"),
    ],
)  # fmt: skip
def test_what_a_family_cannot_use_is_one_error_before_any_work(family, code, says, job_with):
    job = job_with(family, code)
    with pytest.raises(JobError, match=says) as caught:
        pipeline.prepare(job)
    assert "mine.py:it" in str(caught.value)


@pytest.mark.parametrize(
    ("family", "code"),
    [
        ("beam", "def it(columns, **light):\n    if columns > 5: raise RuntimeError('late')\n"
         "    return Telecentric().chords(columns=columns, **light)"),
        ("solver", "class it(Still):\n    def advance(self, state, at, problem):\n"
         "        if at.dose.numel() > 18: raise RuntimeError('late')\n        return state"),
        ("start", "def it(problem):\n    if problem.target.solid.numel() > 18: raise RuntimeError('late')\n"
         "    return Uniform()(problem)"),
        ("stop", "def it(row):\n    if row['seconds']: raise RuntimeError('late')"),
        ("penalties", "def it(patterns):\n    if patterns.numel() > 12: raise RuntimeError('late')\n"
         "    return patterns.mean()"),
        ("response", "def it(code):\n    if code[1] != 1 / 255: raise RuntimeError('late')\n    return code"),
    ],
)  # fmt: skip
def test_what_goes_wrong_later_names_the_member_too(family, code, job_with):
    job = job_with(family, code)
    if family == "response":
        job = dataclasses.replace(job, light=dataclasses.replace(job.light, bits=4))
    with pytest.raises(JobError, match=r"mine\.py:it'.*RuntimeError: late"):
        pipeline.design(job)


def test_a_misspelt_name_is_told_where_it_stands_when_the_job_is_read(job_with):
    with pytest.raises(JobError, match=r"job.toml \[light.beam\]: 'mine.py:it': .* no function or class 'it'"):
        job_with("beam", "def its(**light): pass")


def test_settings_make_the_member(small_job, tmp_path):
    (tmp_path / "mine.py").write_text(HEAD + "def it(radius_mm, height_mm): return Cylinder(radius_mm, height_mm)\n")
    text = small_job().replace('kind = "cylinder"', 'kind = "mine.py:it"')
    (solid,), _ = load_solids(parse_job(text, name="t", folder=tmp_path))
    assert solid.form.volume_mm3 == pytest.approx(np.pi * 4)
    wrong = parse_job(text.replace(" height_mm", " length_mm"), name="t", folder=tmp_path)
    with pytest.raises(JobError, match="length_mm"):
        load_solids(wrong)


def test_the_print_is_that_of_the_member_it_stands_for(job_with, small_job, tmp_path):
    """The small job's own numbers through one's own files: the same levels, bit for bit."""
    plain = pipeline.design(parse_job(small_job(iterations=2) + "bound_iterations = 0\n", name="t", folder=tmp_path))
    for family in ("shape", "resin", "beam", "response", "stop"):
        record = pipeline.design(job_with(family, GOOD[family]))
        assert torch.equal(record.patterns.levels, plain.patterns.levels), family


@pytest.mark.parametrize("family", ["resin", "beam", "response", "shape"])
def test_a_result_runs_nothing_unasked(family, job_with, ran, tmp_path, monkeypatch, capsys):
    path = write_result(pipeline.design(job_with(family, GOOD[family])), tmp_path / "r.h5")
    monkeypatch.setattr(own_file, "_RUN", set())  # as in another process
    (tmp_path / "mine.py").write_text("raise ValueError")  # the file of the design is in the result
    monkeypatch.chdir(tmp_path)
    ask = ["export", str(path), "--frames", "frames"] if family == "response" else ["predict", str(path), "--json"]
    if family == "shape":  # the result holds its voxels
        assert main(ask) in (0, 3, 4)
        assert ran() == 1
        return
    if family == "beam":  # and its chords
        assert main(ask) in (0, 3, 4)
    else:
        assert main(ask) == 1
        said = capsys.readouterr()
        assert "has not been run" in said.err
        assert "--run-own" in said.err
    assert ran() == 1
    assert main([*ask, "--run-own"]) in (0, 3, 4)
    assert "mine.py:it is Python of the job's own; running" in capsys.readouterr().err


def test_from_python_a_result_asks_as_well(job_with, tmp_path, monkeypatch):
    record = pipeline.design(job_with("resin", GOOD["resin"]))
    as_designed = pipeline.predict(record).quality["iou"]  # these very bytes were run in this process
    write_result(record, tmp_path / "r.h5")
    monkeypatch.setattr(own_file, "_RUN", set())
    again = read_result(tmp_path / "r.h5")
    with pytest.raises(LightlatheError, match="has not been run"):
        pipeline.predict(again)
    assert pipeline.predict(again, run_own=True).quality["iou"] == as_designed


def test_another_absorption_of_a_resin(job_with):
    job = job_with("resin", "@dataclasses.dataclass(frozen=True)\nclass it(Resin):\n    absorption_per_mm: float = 0.1")
    other = absorbing(job.load().resin, 0.3)
    assert (other.absorption_per_mm, job.resin.absorption_per_mm) == (0.3, 0.1)
    with pytest.raises(JobError, match="expected a dataclass with the field"):
        absorbing(job_with("resin", "class it(Resin): pass").load().resin, 0.3)


@pytest.mark.parametrize(("code", "says"), [("'a'", None), ("None", "expected a number"), ("1 / 0", "ZeroDivision")])
def test_a_ranking_figure_that_is_none(code, says, tmp_path):
    (tmp_path / "mine.py").write_text(f"def it(figures): return {code}")
    figure = OwnFigure.named("mine.py:it", tmp_path)
    if says is None:
        assert np.isnan(figure({}))
    else:
        with pytest.raises(JobError, match=says):
            figure.load()
