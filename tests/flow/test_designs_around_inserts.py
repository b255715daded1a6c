"""Designs around inserts that cast shadows, their records and files, and inserts that stand elsewhere in the print."""

import dataclasses
import json
import math

import h5py
import numpy as np
import pytest
import torch
from rod_jobs import ROD, job_of

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.errors import JobError
from lightlathe.feasibility import case_of, parts_lines
from lightlathe.flow.counting import voxels
from lightlathe.flow.operators import shadows_of
from lightlathe.flow.recorded import job_of as recorded_job
from lightlathe.flow.solids import lay_out
from lightlathe.flow.what_if import cases
from lightlathe.part import SHAPES, fit
from lightlathe.quantities import Grid
from lightlathe.result import read_result, write_result
from operators import gap
from sealing import sealed_anew


def test_a_design_with_an_insert(with_rod, tmp_path, monkeypatch, capsys):
    """Every voxel right beside an opaque rod; said in check, summary and file; predicted again from the file alone."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rod.toml").write_text(with_rod(ROD, 0.25, liquid_below=41, solid_above=43) + "bound_iterations = 20\n")
    assert main(["check", "rod.toml"]) in (0, 3)
    said = capsys.readouterr().out
    assert "Within 0.5 mm of an opaque insert the part sees light from" in said
    assert "  assumed Light ends at an opaque insert" in said
    assert main(["design", "rod.toml"]) in (0, 3)
    assert "  assumed     Light ends at an opaque insert" in capsys.readouterr().out
    record = read_result("rod.lathe.h5")
    assert record.quality["wrong_voxels"] == 0
    assert record.quality["window_gap"] >= -0.002
    assert record.settings["part"][1]["opaque"] is True
    again = pipeline.predict(record)
    torch.testing.assert_close(again.dose, record.prediction.dose, rtol=2**-12, atol=1e-5)  # the file's is rounded
    assert not again.dose[record.part.grid.radius_mm() < 0.5].any()  # two pixels deep
    clear = dataclasses.replace(record, part=dataclasses.replace(record.part, opaque=None))
    assert gap(pipeline.predict(clear).dose, again.dose) > 0.1


def test_files_of_before_are_of_inserts_that_light_passes(with_rod, tmp_path):
    """A file without /part/opaque and without the key: predicted as it was designed, and it says so."""
    job, _, _ = job_of(with_rod(ROD + "opaque = false\n", 0.25, iterations=2) + "bound_iterations = 0\n", tmp_path)
    record = pipeline.design(job)
    path = write_result(record, tmp_path / "old.h5")
    with sealed_anew(path) as file:
        settings = json.loads(file["job/resolved"][()])
        del settings["part"][1]["opaque"]
        del file["job/resolved"]
        file["job"].create_dataset("resolved", data=json.dumps(settings)).attrs.update({"units": "1", "dims": []})
    old = read_result(path)
    assert old.settings["part"][1]["opaque"] is False
    assert any("designed before inserts cast shadows" in line for line in old.warnings)
    assert old.part.opaque is None
    predicted = pipeline.predict(old)
    torch.testing.assert_close(predicted.dose, record.prediction.dose, rtol=1e-5, atol=1e-5)
    assert "Light passes through an insert as through resin" in pipeline.summary(old, path)


def test_an_insert_that_sticks_out_is_normal(with_rod, tmp_path):
    """40 mm of rod in 12 mm of resin and 5 mm of light: no problem, and no taller grid. One wider than the vial is."""
    rod = SHAPES["cylinder"](1.0, 40.0)
    assert fit(rod, 5.0, 12.0, 10.0, 5.0, insert=True).problems == ()
    assert fit(rod, 5.0, 12.0, 10.0, 5.0).problems != ()
    wide = fit(SHAPES["cylinder"](6.0, 40.0), 5.0, 12.0, 10.0, 5.0, insert=True).problems
    assert wide[0].startswith("The insert reaches 1 mm beyond the vial's inner radius of 5 mm")
    job, solids, said = job_of(with_rod(), tmp_path)
    bare = job_of(with_rod(""), tmp_path)
    assert lay_out(job, solids).grid == lay_out(bare[0], bare[1]).grid
    assert case_of(job, solids).part.possible_mistakes == ()
    lines = parts_lines(job, solids, said)
    assert not any(line.startswith("warning") for line in lines)
    assert any("thinnest wall 0.9" in line for line in lines)  # 1 mm from rod to outside; aslant up to 8 % less
    grid = Grid((160, 160, 20), 0.0625)
    assert (shadows_of(voxels(job, solids, grid, torch.device("cpu")), 5.0).class_of_slice == 0).all()


def test_the_insert_is_in_the_record(with_rod, tmp_path):
    """/part/insert and /part/opaque hold its covered fraction; files without them are read as before."""
    job, _, _ = job_of(with_rod(ROD, 0.25, iterations=2) + "bound_iterations = 0\n", tmp_path)
    record = pipeline.design(job)
    again = read_result(write_result(record, tmp_path / "rod.h5"))
    torch.testing.assert_close(again.part.insert, record.part.insert, rtol=0, atol=0.5 / 255)
    assert torch.equal(again.part.opaque, again.part.insert)
    one, other = shadows_of(again.part, 5.0), shadows_of(record.part, 5.0)
    assert torch.equal(one.covered, other.covered)  # of 255ths, so the same from the file
    area = float(again.part.insert[:, :, again.part.grid.shape[2] // 2].sum()) * 0.25**2
    assert area == pytest.approx(math.pi, rel=0.01)  # 8 bits a voxel
    with h5py.File(tmp_path / "rod.h5") as file:
        for name in ("insert", "opaque"):
            assert file[f"part/{name}"].dtype == np.uint8
            assert file[f"part/{name}"].attrs["full"] == 255
    plain = dataclasses.replace(record, part=dataclasses.replace(record.part, insert=None, opaque=None))
    read = read_result(write_result(plain, tmp_path / "plain.h5")).part
    assert read.insert is None
    assert read.opaque is None


def test_an_insert_that_stands_elsewhere_shadows_elsewhere(with_rod, tmp_path):
    """Moved by a voxel its shadow is that of a rod made there; a job without an opaque insert has none to move."""
    record = pipeline.design(job_of(with_rod(ROD, 0.25, iterations=10) + "bound_iterations = 0\n", tmp_path)[0])
    moved = pipeline.predict(record, insert_offset_mm=(0.25, 0.0))
    there = dataclasses.replace(record.part, opaque=torch.roll(record.part.opaque, 1, 0))
    made = pipeline.predict(dataclasses.replace(record, part=there))
    assert gap(moved.dose, made.dose) < 1e-5
    assert gap(moved.dose, pipeline.predict(record).dose) > 0.01
    assert any("insert_offset_mm" in asked for _, asked in cases(recorded_job(record), 10.0))
    clear = dataclasses.replace(record, part=dataclasses.replace(record.part, opaque=None))
    with pytest.raises(JobError, match="a result with an insert that is opaque"):
        pipeline.predict(clear, insert_offset_mm=(0.25, 0.0))
