"""A result predicts again from its file alone, or says what it lacks; nothing that it names is run."""

import dataclasses
import json
import re
import shutil

import pytest
import torch
import trimesh

from lightlathe import pipeline
from lightlathe.beams import Telecentric
from lightlathe.cli.main import main
from lightlathe.errors import JobError, ResultError
from lightlathe.flow.recorded import job_of
from lightlathe.job import parse_job
from lightlathe.projector.responses import Power
from lightlathe.resins import Threshold
from lightlathe.result import read_result, write_result


@dataclasses.dataclass(frozen=True)
class Squeezed:
    """A beam of a test's own: parallel light, narrower than the projector's image, and dimmer toward one side."""

    by: float = 0.8

    def chords(self, **given):
        plain = Telecentric().chords(**given)
        share = torch.linspace(0.5, 1.0, len(plain.transmittance), dtype=torch.float64)
        return dataclasses.replace(plain, offset_mm=plain.offset_mm * self.by, transmittance=share)


class Steep(Threshold):
    """A resin of a test's own."""


class Inverse(Power):
    """A response of a test's own."""


def squared(dose, target):
    return (dose - target.solid.to(dose)).square().mean()


@pytest.fixture
def job(small_job, tmp_path):
    text = small_job(iterations=3) + "bound_iterations = 0\n"
    return parse_job(text.replace("voxel_mm = 0.25", "voxel_mm = 0.25\nfiner = 1"), name="disc", folder=tmp_path)


def with_light(job, **members):
    return dataclasses.replace(job, light=dataclasses.replace(job.light, **members))


def stored(record, tmp_path):
    return read_result(write_result(record, tmp_path / "a.h5"))


def test_the_optics_are_in_the_file(job, tmp_path):
    record = pipeline.design(job)
    again = stored(record, tmp_path)
    optics = pipeline.prepare(job).optics
    for name in ("angle_rad", "offset_mm", "deflection_rad", "transmittance"):
        assert torch.equal(getattr(again.optics.chords, name), getattr(optics.chords, name)), name
    assert (again.optics.chords.rows, again.optics.chords.row_mm) == (20, 0.25)
    assert (again.optics.absorption_per_mm, again.optics.vial_radius_mm) == (0.1, 5.0)
    assert not record.own


def test_neither_meshes_nor_the_folder_of_the_job_are_needed(small_job, tmp_path, monkeypatch, capsys):
    """A part and an insert from meshes: the file predicts the same when all but it is gone."""
    shop = tmp_path / "shop"
    shop.mkdir()
    trimesh.creation.box((3, 3, 1)).export(shop / "part.stl")
    trimesh.creation.box((1, 1, 1)).export(shop / "rod.stl")
    meshes = """[[part]]
mesh = "part.stl"
unit = "mm"
[[part]]
mesh = "rod.stl"
unit = "mm"
role = "insert"
"""
    text = re.sub(r"\[part\]\nshape.*\n", meshes, small_job(iterations=3)) + "bound_iterations = 0\n"
    (shop / "job.toml").write_text(text.replace("voxel_mm = 0.25", "voxel_mm = 0.25\nfiner = 1"))
    assert main(["design", str(shop / "job.toml"), "-o", str(tmp_path / "a.h5"), "--anyway"]) in (0, 3, 4)
    before = pipeline.predict(read_result(tmp_path / "a.h5"), exposure_s=30.0)
    shutil.rmtree(shop)
    monkeypatch.chdir("/")
    record = read_result(tmp_path / "a.h5")
    assert record.part.insert.max() == 1
    assert torch.equal(pipeline.predict(record, exposure_s=30.0).dose, before.dose)
    capsys.readouterr()
    main(["predict", str(tmp_path / "a.h5")])
    assert "Error" not in capsys.readouterr().err


def test_a_beam_made_in_python_predicts_from_the_file_alone(job, tmp_path):
    record = pipeline.design(with_light(job, beam=Squeezed()))
    assert record.settings["light"]["beam"] == {"kind": f"python:{__name__}.Squeezed", "by": 0.8}
    assert any("made in Python were light.beam" in line for line in record.warnings)
    again = stored(record, tmp_path)
    assert not again.own
    predicted = pipeline.predict(again)
    assert torch.equal(predicted.dose, pipeline.predict(record).dose)
    torch.testing.assert_close(predicted.dose, record.prediction.dose, rtol=1e-5, atol=1e-5)  # float32 sums
    plain = dataclasses.replace(again, settings=pipeline.design(job).settings)  # a matched bath would give another dose
    assert (pipeline.predict(plain).dose - predicted.dose).abs().max() > 1
    darker = dataclasses.replace(job.resin, absorption_per_mm=0.2)
    assert torch.equal(pipeline.predict(again, resin=darker).dose, pipeline.predict(record, resin=darker).dose)
    with pytest.raises(JobError, match=r"axis offset of 0\.5 mm: the beam is 'python:.*does not hold"):
        pipeline.predict(again, axis_offset_mm=0.5)
    with pytest.raises(JobError, match=r"a refractive index of 1\.4: the beam"):
        pipeline.predict(again, resin=dataclasses.replace(job.resin, refractive_index=1.4))
    assert pipeline.predict(record, axis_offset_mm=0.5).dose.isfinite().all()  # the beam is still at hand


def test_a_beam_without_its_chords_says_so(job, tmp_path):
    record = stored(pipeline.design(with_light(job, beam=Squeezed())), tmp_path)
    with pytest.raises(ResultError, match="the file holds neither it nor its chords"):
        pipeline.predict(dataclasses.replace(record, optics=None))


def test_a_resin_made_in_python_is_said_at_once(job, tmp_path, capsys):
    own = Steep(0.1, 40, 44)
    setup = pipeline.prepare(dataclasses.replace(job, resin=own))  # before any long work
    record = pipeline.design(setup.job, setup=setup)
    for warnings in (setup.warnings, record.warnings):
        assert sum("cannot be predicted from the file alone: the resin is 'python:" in line for line in warnings) == 1
    assert "Steep" in pipeline.summary(record, tmp_path / "a.h5")  # right after the design all is at hand
    again = stored(record, tmp_path)
    assert main(["predict", str(tmp_path / "a.h5")]) == 1
    assert "predict(record, resin=...) takes it" in capsys.readouterr().err
    given = pipeline.predict(again, resin=own)
    assert torch.equal(given.dose, pipeline.predict(record).dose)


def test_a_response_made_in_python_leaves_predictions_alone(job, tmp_path):
    record = pipeline.design(with_light(job, response=Inverse(1.5)))
    again = stored(record, tmp_path)
    assert torch.equal(pipeline.predict(again).dose, pipeline.predict(record).dose)
    assert pipeline.frames(record, tmp_path / "frames").exists()
    with pytest.raises(ResultError, match=r"frames take the projector's response.*Inverse"):
        pipeline.frames(again, tmp_path / "others")


def test_a_loss_made_in_python_is_named_and_not_needed(job, tmp_path):
    record = pipeline.design(dataclasses.replace(job, design=dataclasses.replace(job.design, loss=squared)))
    assert record.settings["design"]["loss"] == f"python:{__name__}.squared"
    assert any(f"made in Python were design.loss ({__name__}.squared)" in line for line in record.warnings)
    again = stored(record, tmp_path)
    assert torch.equal(pipeline.predict(again).dose, pipeline.predict(record).dose)


@pytest.mark.parametrize("place", ["resin", "beam", "response", "shape"])
def test_a_result_that_names_a_python_file_runs_nothing(job, tmp_path, monkeypatch, place):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "trap.py").write_text("open('sprung', 'w')\n\n\nclass It: ...\n")
    record = stored(pipeline.design(job), tmp_path)
    settings = json.loads(json.dumps(record.settings))
    table = {"resin": settings, "shape": settings["part"][0]}.get(place, settings["light"])
    table[place] = {"kind": "trap.py:It"}
    record = dataclasses.replace(record, settings=settings)
    if place == "resin":
        with pytest.raises(ResultError, match=r"trap\.py:It', Python that the file does not hold"):
            job_of(record)
    else:
        assert pipeline.predict(record).dose.isfinite().all()
    assert not (tmp_path / "sprung").exists()


def test_the_result_that_a_design_starts_from_is_on_record(job, small_job, tmp_path, monkeypatch, capsys):
    from hashlib import sha256

    first = write_result(pipeline.design(job), tmp_path / "first.h5")
    text = small_job(iterations=2) + 'bound_iterations = 0\nstart = { kind = "earlier", result = "first.h5" }\n'
    (tmp_path / "next.toml").write_text(text)
    monkeypatch.chdir(tmp_path)
    assert main(["design", "next.toml"]) in (0, 3, 4), capsys.readouterr().err
    assert read_result("next.lathe.h5").settings["files"]["first.h5"] == sha256(first.read_bytes()).hexdigest()
    first.unlink()
    assert main(["design", "next.toml", "--force"]) == 1
    error = capsys.readouterr().err
    assert "first.h5: the earlier result that the design starts from cannot be read (No such file" in error
    assert "design:" not in error
