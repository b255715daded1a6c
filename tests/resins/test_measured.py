"""From tables to a [resin] table ready to paste."""

import json
import math
import tomllib

import numpy as np
import pytest

from lightlathe.errors import MeasurementError, ResultError
from lightlathe.resins import Threshold
from lightlathe.resins.known import KNOWN, known_text
from lightlathe.resins.measured import measure
from lightlathe.resins.residuals import draw_residuals


@pytest.fixture
def folder(tmp_path):
    """Made-up measurements of a resin with absorption 0.2/mm, onset 10 mJ/cm2, gel dose near 36 mJ/cm3."""
    rng = np.random.default_rng(0)
    path = np.array([1.0, 2.0, 5.0, 10.0])
    absorbance = 0.2 * path / np.log(10) + 0.03 + rng.normal(0, 0.002, 4)
    exposure = np.geomspace(15, 400, 10)
    depth = 5000 * np.log(exposure / 10) + rng.normal(0, 60, 10)
    dose = np.geomspace(22, 58, 40)
    solid = rng.random(40) < 1 / (1 + (36 / dose) ** 15)
    write = {
        "cuvette.csv": ("path [mm],absorbance [1]", path, absorbance),
        "curve.csv": ("exposure [mJ/cm2],depth [um]", exposure, depth),
        "vial.csv": ("dose [mJ/cm3],solid [1]", dose, solid.astype(int)),
        "seconds.csv": ("exposure [mJ/cm2],solid [1]", dose / 2.0, solid.astype(int)),  # 10 * 0.2 per mJ/cm2
        "onset.csv": ("irradiance [mW/cm2],onset [s]", np.array([10.0, 20.0]), np.array([29.6, 14.7])),
        "recipe.csv": ("concentration [mmol/L],molar_absorption_base_e [L/(mol cm)]", [2.0], [1000.0]),
    }
    for name, (head, x, y) in write.items():
        rows = "".join(f"{a:.6g},{b:.6g}\n" for a, b in zip(x, y, strict=True))
        (tmp_path / name).write_text(f"{head}\n{rows}", encoding="utf-8")
    return tmp_path


def test_the_table_can_be_pasted(folder):
    found = measure([folder / "cuvette.csv", folder / "vial.csv"])
    keys = tomllib.loads(found.toml())["resin"]
    resin = Threshold(**keys)
    assert resin.absorption_per_mm == pytest.approx(0.2, rel=0.05)  # 0.002 of noise on 0.9
    assert resin.liquid_below_mj_cm3 < 36 < resin.solid_above_mj_cm3
    assert 0 < keys["absorption_known_to_percent"] < 20
    assert 0 < keys["doses_known_to_percent"] < 60


def test_exposures_become_doses_by_the_absorption(folder):
    by_table = measure([folder / "cuvette.csv", folder / "seconds.csv"])
    by_number = measure([folder / "seconds.csv"], absorption_per_mm=0.2)
    direct = measure([folder / "vial.csv"])
    name = "liquid_below_mj_cm3"
    assert by_number.values[name].value == pytest.approx(direct.values[name].value, rel=1e-4)  # 6 digits in the file
    ratio = by_table.values["absorption_per_mm"].value / 0.2
    assert by_table.values[name].value == pytest.approx(ratio * direct.values[name].value, rel=1e-4)
    with pytest.raises(MeasurementError, match="takes the absorption too"):
        measure([folder / "seconds.csv"])


def test_a_working_curve_alone_gives_a_first_table(folder):
    keys = tomllib.loads(measure([folder / "curve.csv"]).toml())["resin"]
    assert keys["absorption_per_mm"] == pytest.approx(0.2, rel=0.1)
    # 10 mJ/cm2 over 0.5 cm; films tell the onset, not how far liquid and solid lie apart: 10 % either side or more
    assert keys["liquid_below_mj_cm3"] <= 0.9 * 20 * 1.02
    assert keys["solid_above_mj_cm3"] >= 1.1 * 20 * 0.98


def test_films_in_um_under_a_head_of_mm_are_asked_about(folder):
    path = folder / "curve.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("depth [um]", "depth [mm]"), encoding="utf-8")
    with pytest.raises(MeasurementError, match=r"curve\.csv: a cured film of \d+.* mm; is the unit .* um\?"):
        measure([path])


def test_no_value_is_infinite(folder):
    """Absorbance 435 (mAU under a head without unit) once gave an absorption of infinity, and exit code 0."""
    (folder / "milli.csv").write_text("path [mm],absorbance [1]\n10,435\n", encoding="utf-8")
    with pytest.raises(MeasurementError, match=r"milli\.csv line 2: absorbance is '435'.* mAU\?"):
        measure([folder / "milli.csv"])
    (folder / "milli.csv").write_text("path [mm],absorbance [mAU]\n10,435\n", encoding="utf-8")
    found = measure([folder / "milli.csv"]).values["absorption_per_mm"].value
    assert found == pytest.approx(0.435 * math.log(10) / 10)
    with pytest.raises(MeasurementError, match=r"the absorption is 1e\+308 1/mm; expected"):
        measure([folder / "seconds.csv"], absorption_per_mm=1e308)


def test_what_was_not_measured_is_not_made_up(folder):
    found = measure([folder / "cuvette.csv"])
    assert set(tomllib.loads(found.toml())["resin"]) == {"absorption_per_mm", "absorption_known_to_percent"}
    assert "# liquid_below_mj_cm3 =    not measured" in found.toml()


def test_a_recipe_to_base_e(folder):
    found = measure([folder / "recipe.csv"])
    assert found.values["absorption_per_mm"].value == pytest.approx(0.2)  # 2e-3 mol/L * 1000 L/(mol cm) = 2 1/cm
    assert "known_to_percent" not in found.toml()


def test_induction_joined_with_absorption(folder):
    found = measure([folder / "onset.csv"], absorption_per_mm=0.1)
    assert found.values["induction_mj_cm3"].value == pytest.approx(295.0, rel=1e-3)  # 296 and 294 mJ/cm2, times 1/cm
    assert "induction_mj_cm3" in found.text()
    assert "liquid_below_mj_cm3 is no more than that" in found.toml()


def test_no_fit_is_trusted_beyond_a_bench(tmp_path):
    """Ten films that lie exactly on a line: the interval is nil, what a bench repeats is not."""
    rows = "".join(f"{p},{100 * math.exp(-0.2 * p)!r}\n" for p in range(1, 11))
    (tmp_path / "exact.csv").write_text(f"path [mm],transmission [%]\n{rows}", encoding="utf-8")
    assert tomllib.loads(measure([tmp_path / "exact.csv"]).toml())["resin"]["absorption_known_to_percent"] == 1.0


def test_tables_that_disagree_are_named(folder):
    (folder / "dark.csv").write_text("path [mm],transmission [%]\n1,20\n2,4.1\n5,0.03\n", encoding="utf-8")
    found = measure([folder / "cuvette.csv", folder / "dark.csv"])
    assert found.sources["absorption_per_mm"] == "cuvette.csv"
    assert any("do not agree" in note for note in found.notes())


def test_films_and_a_cuvette_that_disagree_are_named(folder):
    """The films of the fixture absorb 0.2 per mm; a cuvette of another resin, three times as much."""
    assert not any("do not agree" in note for note in measure([folder / "curve.csv", folder / "cuvette.csv"]).notes())
    (folder / "other.csv").write_text("path [mm],transmission [%]\n1,54\n2,31\n5,4.8\n", encoding="utf-8")
    for order in (("curve.csv", "other.csv"), ("other.csv", "curve.csv")):
        found = measure([folder / name for name in order])
        note = next(note for note in found.notes() if "do not agree, by a factor of 3" in note)
        assert note.startswith(f"absorption_per_mm: {order[0]} says")
        assert f"note: {note}" in found.text()
    (folder / "few.csv").write_text("path [mm],transmission [%]\n1,90\n2,31\n5,4.8\n", encoding="utf-8")
    few = measure([folder / "few.csv", folder / "cuvette.csv"])  # an interval so wide that it holds the other value
    values = [fit.values["absorption_per_mm"] for fit in few.fits]
    assert values[0].low < values[1].value < values[0].high
    assert any("do not agree, by a factor of" in note for note in few.notes())


def test_a_recipe_that_contradicts_a_cuvette_is_named(folder):
    """A recipe has no interval; 2 mol/m3 of 1000 L/(mol cm) to base e absorb 0.2 per mm, as the cuvette does."""
    assert not any("do not agree" in n for n in measure([folder / "cuvette.csv", folder / "recipe.csv"]).notes())
    text = (folder / "recipe.csv").read_text(encoding="utf-8")
    (folder / "recipe.csv").write_text(text.replace("2,1000", "2.8,1000"), encoding="utf-8")
    assert any("recipe.csv says 0.28 1/mm; they do not agree." in n for n in measure(
        [folder / "cuvette.csv", folder / "recipe.csv"]).notes())  # fmt: skip


@pytest.mark.parametrize(("given", "agrees"), [(0.2, True), (0.5, False)])
def test_an_absorption_given_beside_a_table_that_holds_one(folder, given, agrees):
    """The table's is taken, for [resin] and for doses alike: one without the other would be wrong by their ratio."""
    tables = [folder / "cuvette.csv", folder / "seconds.csv"]
    alone, found = measure(tables), measure(tables, absorption_per_mm=given)
    assert found.toml() == alone.toml()
    note = next(note for note in found.notes() if f"{given} 1/mm was given and cuvette.csv says" in note)
    assert "table's is taken" in note
    assert ("do not agree" in note) is not agrees
    assert not any("was given" in note for note in alone.notes())
    needed = measure([folder / "seconds.csv"], absorption_per_mm=given)
    assert not any("was given and" in note for note in needed.notes())


def test_text_and_json_hold_the_warning_and_the_numbers(folder):
    found = measure([folder / "cuvette.csv", folder / "vial.csv"])
    assert "70 times" in found.text()
    data = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert data["values"]["absorption_per_mm"]["unit"] == "1/mm"
    assert data["toml"] == found.toml()


def test_errors_carry_the_file(folder):
    (folder / "short.csv").write_text("exposure [mJ/cm2],depth [um]\n10,5\n", encoding="utf-8")
    with pytest.raises(MeasurementError, match=r"short\.csv: 1 rows"):
        measure([folder / "short.csv"])
    with pytest.raises(MeasurementError, match="no table"):
        measure([])


def test_a_picture_of_the_residuals(folder):
    matplotlib = pytest.importorskip("matplotlib")
    (folder / "odd.csv").write_text(
        (folder / "curve.csv").read_text(encoding="utf-8") + "100,30000\n", encoding="utf-8"
    )
    found = measure([folder / "odd.csv", folder / "vial.csv"])
    assert found.outliers() == ["odd.csv line 12"]
    with matplotlib.rc_context({"svg.fonttype": "none"}):  # words as words
        picture = draw_residuals(found, folder / "fit.svg")
    drawn = picture.read_text(encoding="utf-8")
    assert drawn.count("line 12") == 2  # beside the point and beside its residual
    assert "vial.csv: vial" in drawn
    with pytest.raises(ResultError, match="xyz"):
        draw_residuals(found, folder / "fit.xyz")


def test_known_values_carry_source_and_warning():
    assert all(k.source and 300 < k.wavelength_nm < 600 for k in KNOWN)
    text = known_text()
    assert "70 times" in text
    assert "PR48" in text
    # spot checks against the project's reference values, section 3
    found = {(k.what, k.wavelength_nm): k.value for k in KNOWN}
    assert found["PR48", 405] == "111"
    assert found["FSL clear", 405] == "204"
    assert found["PR48 without its UV blocker", 405] == "3900"


def test_a_resin_file_is_written_once_and_read_by_a_job(tmp_path, capsys, small_job):
    """The values that the command prints are those of the job that names the file."""
    from lightlathe.cli.main import main
    from lightlathe.job import load_job

    (tmp_path / "vials.csv").write_text("dose [mJ/cm3],solid [1]\n30,0\n34,0\n37,0\n40,1\n44,1\n48,1\n")
    where = str(tmp_path / "resin.toml")
    assert main(["resin", str(tmp_path / "vials.csv"), "--absorption", "0.1", "-o", where]) == 0
    said = capsys.readouterr()
    assert f"resin file: {where}" in said.err
    own = "absorption_per_mm = 0.1\nliquid_below_mj_cm3 = 40\nsolid_above_mj_cm3 = 44\n"
    assert own in small_job()
    (tmp_path / "job.toml").write_text(small_job().replace(own, 'file = "resin.toml"\n'))
    resin = load_job(tmp_path / "job.toml").resin
    assert resin.name == "resin"
    assert f"liquid_below_mj_cm3 = {resin.liquid_below_mj_cm3:g}" in said.out
    assert resin.absorption_per_mm == 0.1
    assert main(["resin", str(tmp_path / "vials.csv"), "--absorption", "0.1", "-o", where]) == 1
    assert "is there already" in capsys.readouterr().err
