"""Values that are hardly meant are asked about with the value that probably was; a job may insist; real ones pass."""

import pytest

from lightlathe.errors import JobError
from lightlathe.job import job_from, parse_job
from lightlathe.job.unlikely import TABLES

LAMP, DOSES = "irradiance_mw_cm2 = 20", "liquid_below_mj_cm3 = 40\nsolid_above_mj_cm3 = 44"
# (table, key, what stands there now, what is hardly meant, the value that probably was)
CASES = [
    ("light", "response", LAMP, LAMP + '\nresponse = { kind = "power", exponent = 0.45 }', "exponent = 2.22"),
    ("light", "irradiance_mw_cm2", LAMP, "irradiance_mw_cm2 = 15000", "irradiance_mw_cm2 = 15?"),
    ("light", "irradiance_mw_cm2", LAMP, "irradiance_mw_cm2 = 0.02", "irradiance_mw_cm2 = 20?"),
    ("resin", "solid_above_mj_cm3", DOSES, "liquid_below_mj_cm3 = 0.0355\nsolid_above_mj_cm3 = 0.037",
     "solid_above_mj_cm3 = 37?"),
    ("resin", "liquid_below_mj_cm3", DOSES, "liquid_below_mj_cm3 = 0.0355\nsolid_above_mj_cm3 = 37",
     "liquid_below_mj_cm3 = 35.5?"),
    ("resin", "solid_above_mj_cm3", DOSES, "liquid_below_mj_cm3 = 35500\nsolid_above_mj_cm3 = 37000",
     "solid_above_mj_cm3 = 37?"),
    ("resin", "doses_known_to_percent", DOSES, DOSES + "\ndoses_known_to_percent = 0.03", "= 3?"),
    ("resin", "absorption_known_to_percent", DOSES, DOSES + "\nabsorption_known_to_percent = 0.1", "= 10?"),
    ("design", "robust", "[design]", "[design]\nrobust = { absorption_percent = [-0.1, 0, 0.1] }",
     "absorption_percent = [-10, 0, 10]?"),
    ("design", "robust", "[design]", "[design]\nrobust = { dose_percent = [0.05] }", "dose_percent = [5]?"),
]  # fmt: skip
REAL = [
    (LAMP, LAMP + '\nresponse = { kind = "power", exponent = 0.97 }'),  # a fit to a projector that is nearly linear
    (LAMP, "irradiance_mw_cm2 = 10000"),
    (LAMP, "irradiance_mw_cm2 = 0.1"),
    (DOSES, "liquid_below_mj_cm3 = 0.5\nsolid_above_mj_cm3 = 0.6"),
    (DOSES, "liquid_below_mj_cm3 = 0\nsolid_above_mj_cm3 = 20000"),
    (DOSES, DOSES + "\ndoses_known_to_percent = 0.5\nabsorption_known_to_percent = 0"),
    ("[design]", "[design]\nrobust = { absorption_percent = [0.0], dose_percent = [-0.5, 0.2] }"),
]


def parse(text, old, new, folder):
    assert old in text
    return parse_job(text.replace(old, new, 1), name="t", folder=folder, file="t.toml")


@pytest.mark.parametrize(("table", "key", "old", "new", "meant"), CASES)
def test_each_is_asked_about_and_taken_where_the_job_is_sure(small_job, tmp_path, table, key, old, new, meant):
    with pytest.raises(JobError) as asked:
        parse(small_job(), old, new, tmp_path)
    said = str(asked.value)
    assert said.startswith(f"t.toml [{table}]: {key} is ")
    assert "Did you mean" in said
    assert meant in said
    assert f'sure = ["{key}"]' in said
    keys = '["liquid_below_mj_cm3", "solid_above_mj_cm3"]' if "mj_cm3" in key else f'["{key}"]'
    insisted = new.replace("[design]\n", "") + f"\nsure = {keys}"
    text = small_job().replace(old, f"{old}\n{insisted}" if old == "[design]" else insisted)
    job = parse_job(text, name="t", folder=tmp_path)
    assert getattr(getattr(job, table), key) is not None


@pytest.mark.parametrize(("old", "new"), REAL)
def test_what_is_real_is_not_asked_about(small_job, tmp_path, old, new):
    parse(small_job(), old, new, tmp_path)


@pytest.mark.parametrize("sure", ['"irradiance_mw_cm2"', '["iradiance"]', "[3]", "true"])
def test_a_table_is_sure_of_its_own_keys_only(small_job, tmp_path, sure):
    with pytest.raises(JobError, match=r"t\.toml \[light\]: sure is .*expected a list of keys of this table"):
        parse(small_job(), LAMP, f"{LAMP}\nsure = {sure}", tmp_path)


def test_other_tables_have_no_such_key(small_job, tmp_path):
    assert "vial" not in TABLES
    with pytest.raises(JobError, match="unknown key 'sure'"):
        parse(small_job(), "[vial]", '[vial]\nsure = ["resin_height_mm"]', tmp_path)


def test_a_stored_job_is_not_asked_again(small_job, tmp_path):
    """Results of before, and those whose job was sure, are read as they were designed."""
    import tomllib

    tables = tomllib.loads(small_job().replace(LAMP, "irradiance_mw_cm2 = 15000"))
    job = job_from(tables, name="t", folder=tmp_path, file="stored", text="", ask=False)
    assert job.light.irradiance_mw_cm2 == 15000
