"""Whatever a table of measurements holds, numbers that can be used or one MeasurementError come out.

Tried and refused are printed (pytest -s); `pytest -m slow tests/fuzz` tries 8,000 and more. Seeds are fixed.
"""

import json
import math
import random
import tomllib

import pytest
from file_damage import WAYS, assert_bearable, damaged, tried
from table_samples import HEADS, off, sound

from lightlathe.errors import MeasurementError
from lightlathe.resins.measured import measure

FEW, MANY = 15, 500  # tables of one kind
LONGEST_MESSAGE = 3000  # characters; the list of all columns and units is 1,900 of them


def outcome(path):
    """'fitted' or 'refused'; anything else that happens is the caller's to see."""
    try:
        measure([path], absorption_per_mm=0.2)
    except MeasurementError as error:
        assert_bearable(str(error), path, LONGEST_MESSAGE)
    try:
        found = measure([path], absorption_per_mm=0.2, sure=True)
    except MeasurementError as error:
        assert_bearable(str(error), path, LONGEST_MESSAGE)
        return "refused"
    for name, v in found.values.items():
        assert math.isfinite(v.value), (name, v)
        assert v.value > 0, (name, v)
        assert math.isfinite(v.low) == math.isfinite(v.high), (name, v)
        assert math.isfinite(v.low) or (math.isnan(v.low) and math.isnan(v.high)), (name, v)
    table = tomllib.loads(found.toml())["resin"]
    assert all(math.isfinite(v) and v > 0 for v in table.values()), table
    assert table.get("liquid_below_mj_cm3", 0) <= table.get("solid_above_mj_cm3", math.inf), table
    assert json.loads(json.dumps(found.as_json(), allow_nan=False))["toml"] == found.toml()
    assert "inf" not in found.text()
    return "fitted"


def fuzz(folder, title, tables, at_least_refused=1):
    ends = tried(title, folder / "table.csv", tables, outcome)
    assert ends["refused"] >= at_least_refused
    return ends


def tables_off(kind, count):
    rng = random.Random(f"{kind} 17")
    return (off(kind, rng).encode() for _ in range(count))


@pytest.mark.parametrize("kind", HEADS)
def test_the_samples_are_sound(tmp_path, kind):
    path = tmp_path / "table.csv"
    path.write_text(sound(kind), encoding="utf-8")
    assert outcome(path) == "fitted"


@pytest.mark.parametrize("kind", HEADS)
def test_a_few_tables_that_are_off(tmp_path, kind):
    fuzz(tmp_path, kind, tables_off(kind, FEW))


@pytest.mark.parametrize("way", WAYS)
def test_a_few_damaged_tables(tmp_path, way):
    fuzz(tmp_path, way, damaged([sound(k).encode() for k in HEADS], way, FEW, seed=19))


@pytest.mark.slow
@pytest.mark.parametrize("kind", HEADS)
def test_many_tables_that_are_off(tmp_path, kind):
    counts = fuzz(tmp_path, kind, tables_off(kind, MANY), at_least_refused=MANY // 10)
    assert counts["fitted"] >= MANY // 50  # or the fuzzer would try nothing but heads and bounds


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
def test_many_damaged_tables(tmp_path, way):
    fuzz(tmp_path, way, damaged([sound(k).encode() for k in HEADS], way, MANY, seed=19))
