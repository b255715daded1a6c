"""Tables of measurements: what is read, and what is refused and why."""

import numpy as np
import pytest

from lightlathe.errors import MeasurementError
from lightlathe.resins.measurements import COLUMNS, SERIES, read_table


def table(tmp_path, text, name="data.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return read_table(path)


@pytest.mark.parametrize(
    ("text", "series"),
    [
        ("path [mm],transmission [%]\n10,50\n", "transmission"),
        ("path [cm],absorbance [1]\n1,0.3\n", "transmission"),
        ("concentration [mmol/L],molar_absorption_base10 [L/(mol cm)]\n2,377\n", "mixture"),
        ("exposure [mJ/cm2],depth [um]\n20,104\n", "cure depth"),
        ("irradiance [mW/cm2],time [s],depth [um]\n10,2,104\n", "cure depth"),
        ("dose [mJ/cm3],solid [1]\n20,no\n", "vial"),
        ("irradiance [mW/cm2],time [s],solid [1]\n10,2,partly\n", "vial"),
        ("irradiance [mW/cm2],onset [s]\n10,29.5\n", "onset"),
    ],
)
def test_columns_say_what_the_series_is(tmp_path, text, series):
    assert table(tmp_path, text).series == series


def test_every_column_belongs_to_a_series():
    used = {name for sets in SERIES.values() for columns in sets for name in columns}
    assert used == set(COLUMNS)


@pytest.mark.parametrize(
    ("head", "cell", "value"),
    [
        ("depth [um]", "150", 0.15),
        ("depth [mm]", "0.15", 0.15),
        ("exposure [J/m2]", "100", 10.0),  # 1 J/m2 = 0.1 mJ/cm2
        ("exposure [J/cm2]", "0.01", 10.0),
        ("absorbance [mAU]", "435", 0.435),
        ("absorbance [AU]", "0.435", 0.435),
    ],
)
def test_units_are_turned_into_the_programs_own(tmp_path, head, cell, value):
    others = {"depth": "exposure [mJ/cm2]", "absorbance": "path [mm]"}
    other = others.get(head.split()[0], "depth [um]")
    found = table(tmp_path, f"{head},{other}\n{cell},7\n")
    assert found.columns[head.split()[0]][0] == pytest.approx(value)


def test_exposure_from_irradiance_and_time(tmp_path):
    found = table(tmp_path, "irradiance [W/m2],time [min],solid [1]\n100,0.5,1\n")
    assert found.exposure == pytest.approx(300.0)  # 10 mW/cm2 for 30 s


def test_what_spreadsheets_write(tmp_path):
    """A byte-order mark, line ends of either kind, semicolons, tabs, comments, blank lines, brackets, capitals."""
    text = "# batch 7\r\n\r\nExposure (mJ/cm2) ; Depth (um)\r\n20;104\r\n# again\r\n40;208\r\n"
    found = table(tmp_path, text, encoding="utf-8-sig")
    np.testing.assert_allclose(found.columns["depth"], [0.104, 0.208])
    assert found.lines == (4, 6)
    assert table(tmp_path, "dose [mJ/cm3]\tsolid [1]\n20\tYES\n").columns["solid"][0] == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("exposure,depth [um]\n1,2\n", ["'exposure' has no unit", "exposure [mJ/cm2]", "exposure [J/m2]"]),
        ("exposure [mJ],depth [um]\n1,2\n", ["has the unit 'mJ'", "exposure [mJ/cm2]"]),
        ("exposure [mj/cm2],depth [um]\n1,2\n", ["has the unit 'mj/cm2'"]),
        ("thickness [um],exposure [mJ/cm2]\n1,2\n", ["unknown column 'thickness [um]'", "depth [mm]"]),
        ("exposure [mJ/cm2],path [mm]\n1,2\n", ["do not make a known series", "cure depth"]),
        ("exposure [mJ/cm2],exposure [J/cm2]\n1,2\n", ["twice"]),
        ("exposure [mJ/cm2];depth [um]\n1,5;2\n", ["line 2", "exposure is '1,5'", "point"]),
        ("exposure [mJ/cm2],depth [um]\n1,5,2\n", ["line 2", "3 cells", "decimal"]),
        ("exposure [mJ/cm2],depth [um]\n-1,2\n", ["line 2", "above 0"]),
        ("exposure [mJ/cm2],depth [um]\nnan,2\n", ["line 2", "above 0"]),
        ("path [mm],transmission [1]\n10,50\n", ["above 1", "%"]),
        ("dose [mJ/cm3],solid [1]\n10,0.7\n", ["0.5", "partly"]),
        ("exposure [mJ/cm2],depth [um]\n", ["no rows"]),
        ("# nothing\n", ["empty"]),
        ("exposure [mJ/cm2]\n1\n", ["one column"]),
        ("path [mm],absorbance [1]\n10,435\n", ["line 2", "absorbance is '435'", "expected 0 to 10", "mAU?"]),
        ("path [mm],transmission [1]\n10,1e-12\n", ["transmission is '1e-12'", "1e-10"]),
        ("exposure [mJ/cm2],depth [um]\n1e300,2\n", ["line 2", "exposure is '1e300'", "1e+09"]),
        ("exposure [mJ/cm2],depth [um]\n5e-324,2\n", ["line 2", "exposure is '5e-324'"]),
        ("exposure [mJ/cm2],depth [um]\n1_0,2\n", ["line 2", "exposure is '1_0'; expected a number"]),
        ("exposure [mJ/cm2],depth [um]\n" + "9" * 20_000 + ",2\n", ["line 2", "20002 characters"]),
        ("exposure [mJ/cm2],depth [um]\n1," + " " * 140_000 + "\n", ["line 2", "field larger than field limit"]),
        ("exposure [mJ/cm2],depth [\x1b[2Jum]\n1,2\n", ["has the unit '\\x1b[2Jum'"]),
    ],
)
def test_what_is_wrong_is_named_with_what_is_accepted(tmp_path, text, words):
    with pytest.raises(MeasurementError) as problem:
        table(tmp_path, text)
    assert all(word in str(problem.value) for word in words), str(problem.value)


def test_a_message_has_an_end(tmp_path):
    """What came is shown in brief; the list of what is accepted is 2,000 characters long."""
    for text in ("a" * 200_000 + ",b\n1,2\n", "exposure [" + "u" * 200_000 + "],depth [um]\n1,2\n", "b" * 200_000):
        with pytest.raises(MeasurementError) as problem:
            table(tmp_path, text)
        assert len(str(problem.value)) < 3000 + len(str(tmp_path))


def test_a_file_that_is_no_table(tmp_path):
    path = tmp_path / "film.csv"
    with path.open("wb") as file:
        file.truncate(20_000_000)
    with pytest.raises(MeasurementError, match=r"film\.csv: has 20000000 bytes; .* up to 10000000"):
        read_table(path)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(MeasurementError, match=r"absent\.csv"):
        read_table(tmp_path / "absent.csv")
