"""Tables that no resin gives are asked about, with the unit probably meant; --sure takes them; real ones pass."""

import pytest

from lightlathe.cli.main import main
from lightlathe.errors import MeasurementError
from lightlathe.resins.measured import measure

# Jacobs' working curve (1992): Dp 150 um, Ec 10 mJ/cm2 give 300 um at e^2 Ec; each doubling adds 103.97 um
EXPOSURES, DEPTHS = (73.8906, 147.7811, 295.5622, 591.1245), (300, 403.972, 507.944, 611.916)


def films(unit, factor, depth_factor=1.0):
    rows = [f"{e * factor:.6g},{d * depth_factor:.6g}" for e, d in zip(EXPOSURES, DEPTHS, strict=True)]
    return "\n".join((f"exposure [{unit}],depth [um]", *rows)) + "\n"


@pytest.fixture
def table(tmp_path):
    def written(text, name="data.csv"):
        (tmp_path / name).write_text(text)
        return tmp_path / name

    return written


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (films("mJ/cm2", 1e-3), ["onset_mj_cm2 comes to 0.01 mJ/cm2", "in J/cm2? The head says [mJ/cm2]", "Then 10 "]),
        (films("J/cm2", 10.0), ["comes to 1e+05 mJ/cm2", "in mJ/cm2? The head says [J/cm2]"]),
        ("path [mm],transmission [%]\n10,0.82\n20,0.67\n30,0.55\n", ["0.82 at most", "transmission [1]"]),
        ("dose [mJ/cm3],solid [1]\n0.02,0\n0.03,0\n0.04,1\n0.05,1\n", ["in J/cm3? The head says [mJ/cm3]"]),
        ("irradiance [mW/cm2],onset [s]\n15000,30\n30000,15\n", ["irradiance reaches 30000", "uW/cm2"]),
    ],
)
def test_each_slip_is_asked_about(table, capsys, text, words):
    path = table(text)
    with pytest.raises(MeasurementError) as asked:
        measure([path])
    assert all(word in str(asked.value) for word in (*words, "--sure")), str(asked.value)
    assert main(["resin", str(path)]) == 1
    assert "Traceback" not in capsys.readouterr().err
    assert main(["resin", str(path), "--sure"]) == 0


def test_the_same_measurements_twice(table):
    a, b = table(films("mJ/cm2", 1)), table(films("J/cm2", 1e-3), "copy.csv")
    for paths in ([a, a], [a, b]):
        with pytest.raises(MeasurementError, match="hold the same cure depth measurements"):
            measure(paths)
        assert measure(paths, sure=True).values["onset_mj_cm2"].value == pytest.approx(10, rel=1e-4)
    measure([a, table(films("mJ/cm2", 1.01), "other.csv")])  # another series of the same resin


@pytest.mark.parametrize(
    "text",
    [
        films("mJ/cm2", 0.05),  # an onset of 0.5 mJ/cm2
        films("mJ/cm2", 300.0, 50.0),  # 3 J/cm2 and 7.5 mm: a pale, slow resin
        films("J/cm2", 1e-3),
        "path [mm],transmission [%]\n10,0.2\n5,4.5\n2,29\n",  # dark, but one sample passes more than 1 %
        "path [mm],transmission [1]\n10,0.002\n5,0.045\n2,0.29\n",
        "dose [mJ/cm3],solid [1]\n2000,0\n3000,0\n4000,1\n5000,1\n",
    ],
)
def test_what_is_real_is_not_asked_about(table, text):
    measure([table(text)])


@pytest.mark.parametrize("head", ["remark", "Comments", " note "])
def test_a_column_of_remarks_is_kept_and_takes_no_part(table, head):
    plain = measure([table(films("mJ/cm2", 1))])
    text = films("mJ/cm2", 1).replace("[um]", f"[um],{head}").replace("\n", ",\n").replace(f"{head},", head)
    text = text.replace("300,", '300,"bubble, left edge"')
    found = measure([table(text, "remarks.csv")])
    assert found.values == plain.values
    assert found.tables[0].remarks == ("bubble, left edge", "", "", "")
    assert "remarks.csv: its remarks are kept and take no part in the fit" in found.notes()
    assert not any("remarks" in note for note in plain.notes())


def test_an_outlier_is_named_with_its_remark(table):
    """One film of twelve a fifth too thick stands out; its remark says why."""
    rows = [f"{20 * 1.5**n:.6g},{150 * (0.693147 + n * 0.405465):.6g}," for n in range(12)]
    rows[6] = f"{20 * 1.5**6:.6g},{1.2 * 150 * (0.693147 + 6 * 0.405465):.6g},dust"
    found = measure([table("\n".join(("exposure [mJ/cm2],depth [um],remark", *rows)))])
    assert found.outliers() == ["data.csv line 8 (dust)"]


def test_two_columns_of_remarks_are_one_too_many(table):
    with pytest.raises(MeasurementError, match="2 columns of remarks"):
        measure([table("path [mm],transmission [%],note,remark\n10,50,a,b\n")])
