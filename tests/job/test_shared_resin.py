"""A resin file shared between jobs, and the notes of a job."""

import datetime
import hashlib

import pytest

import lightlathe as ll
from lightlathe.errors import JobError
from lightlathe.flow.recorded import job_of
from lightlathe.flow.settings import settings_of
from lightlathe.job import job_from, load_job, resolved
from lightlathe.job.toml import tables_of

RESIN = """
[resin]
name = "Clear V4"
date = 2026-11-20
absorption_per_mm = 0.1
liquid_below_mj_cm3 = 40
solid_above_mj_cm3 = 44
"""
OWN_KEYS = "absorption_per_mm = 0.1\nliquid_below_mj_cm3 = 40\nsolid_above_mj_cm3 = 44\n"


@pytest.fixture
def folder(tmp_path, small_job):
    (tmp_path / "resin.toml").write_text(RESIN)
    (tmp_path / "own.toml").write_text(small_job(iterations=3) + "bound_iterations = 0\n")
    return tmp_path


def with_file(folder, *, more="", resin=RESIN):
    """The job of the folder that takes its resin from the file, with more keys beside it."""
    (folder / "resin.toml").write_text(resin)
    text = (folder / "own.toml").read_text()
    assert OWN_KEYS in text
    (folder / "shared.toml").write_text(text.replace(OWN_KEYS, f'file = "resin.toml"\n{more}'))
    return folder / "shared.toml"


def test_the_values_are_those_of_the_file(folder):
    own, shared = load_job(folder / "own.toml").resin, load_job(with_file(folder)).resin
    for key in ("absorption_per_mm", "liquid_below_mj_cm3", "solid_above_mj_cm3"):
        assert getattr(own, key) == getattr(shared, key)
    assert (shared.name, shared.date, shared.file) == ("Clear V4", "2026-11-20", "resin.toml")


def test_a_result_holds_values_name_date_and_checksum_and_needs_no_file(folder, monkeypatch):
    path = with_file(folder)
    record = ll.design(path)
    (folder / "resin.toml").unlink()
    ll.write_result(record, folder / "r.h5")
    again = ll.read_result(folder / "r.h5")
    settings = again.settings
    assert settings["resin"]["absorption_per_mm"] == 0.1
    assert (settings["resin"]["name"], settings["resin"]["date"]) == ("Clear V4", "2026-11-20")
    assert settings["files"] == {"resin.toml": hashlib.sha256(RESIN.encode()).hexdigest()}
    assert job_of(again).resin == job_of(record).resin
    assert ll.predict(again).quality["iou"] == pytest.approx(record.quality["iou"])


def test_keys_beside_the_file_add_to_it_or_repeat_it(folder):
    job = load_job(with_file(folder, more="viscosity_pa_s = 2.0\nsolid_above_mj_cm3 = 44.0\n"))
    assert job.resin.viscosity_pa_s == 2.0


def test_keys_that_contradict_the_file_are_an_error_unless_they_are_meant(folder):
    with pytest.raises(JobError, match=r"absorption_per_mm is 0.2 here and 0.1 in 'resin.toml'") as error:
        load_job(with_file(folder, more="absorption_per_mm = 0.2\n"))
    assert 'overrides = ["absorption_per_mm"]' in str(error.value)
    job = load_job(with_file(folder, more='absorption_per_mm = 0.2\noverrides = ["absorption_per_mm"]\n'))
    assert job.resin.absorption_per_mm == 0.2
    assert "overrides" not in resolved(job)["resin"]


@pytest.mark.parametrize(
    ("more", "resin", "message"),
    [
        ('overrides = ["viscosity_pa_s"]\n', RESIN, "stand both here and in"),
        ("", RESIN + '[light]\npixel_mm = 1\n', "expected a resin file: the table .resin. alone"),
        ("", RESIN.replace("[resin]", ""), "expected a resin file"),
        ("", RESIN + 'file = "another.toml"\n', "has the key file"),
        ("", RESIN + 'kind = "mine.py:Resin"\n', "expected the keys of your own in the job itself"),
        ("", RESIN.replace("absorption_per_mm", "absorbtion_per_mm"), "Did you mean 'absorption_per_mm'"),
        ("", RESIN + "[", "not valid TOML"),
        ("", RESIN.replace("2026-11-20", "20"), "date is 20; expected a text"),
    ],
)  # fmt: skip
def test_other_files_are_errors_that_name_the_job_and_the_file(folder, more, resin, message):
    with pytest.raises(JobError, match=message) as error:
        load_job(with_file(folder, more=more, resin=resin))
    assert str(error.value).startswith("shared.toml [resin]")


def test_no_file_and_no_name_are_errors(folder):
    path = with_file(folder)
    (folder / "resin.toml").unlink()
    with pytest.raises(JobError, match=r"there is no file .*paths are relative to the job file"):
        load_job(path)
    tables = tables_of((folder / "own.toml").read_text(), "own.toml")
    tables["resin"]["overrides"] = ["absorption_per_mm"]
    with pytest.raises(JobError, match="without a resin file"):
        job_from(tables)
    tables["resin"] = {"file": 3}
    with pytest.raises(JobError, match="file is 3; expected the name of a resin file"):
        job_from(tables)


def test_values_confirmed_in_the_file_are_confirmed_for_the_job(folder):
    odd = RESIN.replace("absorption_per_mm = 0.1", "absorption_per_mm = 0.1\ndoses_known_to_percent = 0.2")
    with pytest.raises(JobError, match="Is it a fraction"):
        load_job(with_file(folder, resin=odd))
    job = load_job(with_file(folder, resin=odd + 'sure = ["doses_known_to_percent"]\n'))
    assert job.resin.doses_known_to_percent == 0.2


def test_notes_are_carried_as_texts(folder):
    tables = tables_of((folder / "own.toml").read_text(), "own.toml")
    notes = {"operator": "A. Smith", "day": datetime.date(2026, 11, 30), "text": "one\ntwo"}
    job = job_from({**tables, "notes": notes})
    assert resolved(job)["notes"] == {"operator": "A. Smith", "day": "2026-11-30", "text": "one\ntwo"}
    assert resolved(job_from(tables))["notes"] == {}
    without = {key: value for key, value in settings_of(job, ()).items() if key != "notes"}
    assert without == {key: value for key, value in settings_of(job_from(tables), ()).items() if key != "notes"}


@pytest.mark.parametrize(
    ("notes", "message"),
    [
        ({"lot": 17}, 'lot\' is 17; expected a text in "quotes"'),
        ("me", "expected a table of texts"),
        ({str(n): "" for n in range(51)}, "50 at most"),
        ({"text": "x" * 10_001}, "characters at most"),
    ],
)
def test_notes_that_are_none_are_errors(folder, notes, message):
    tables = tables_of((folder / "own.toml").read_text(), "own.toml")
    with pytest.raises(JobError, match=message):
        job_from({**tables, "notes": notes})
