"""What is said after prints, held against the summary of the same result and against the job it is pasted into."""

import json
import re

import pytest

import lightlathe as ll
from lightlathe.cli.main import main
from lightlathe.judge import outcome_of
from lightlathe.result import read_result


@pytest.fixture(scope="module")
def designed(small_job, tmp_path_factory):
    """A tube in a resin known to 5 %, designed and printed without a wrong voxel, from 17 to 23 s."""
    folder = tmp_path_factory.mktemp("told")
    disc, tube = 'cylinder", radius_mm = 2.0', 'tube", outer_radius_mm = 2.0, inner_radius_mm = 0.75'
    text = small_job(liquid_below=41, solid_above=43).replace(disc, tube)
    text = text.replace("solid_above_mj_cm3 = 43", "solid_above_mj_cm3 = 43\ndoses_known_to_percent = 5")
    text = text.replace("[grid]", "max_exposure_s = 21\n[grid]").replace(
        "voxel_mm = 0.25", "voxel_mm = 0.25\nfiner = 1"
    )
    (folder / "a.toml").write_text(text + "bound_iterations = 0\n")
    ll.write_result(ll.design(folder / "a.toml"), folder / "a.lathe.h5")
    return folder


@pytest.fixture
def said(designed, capsys, monkeypatch):
    monkeypatch.chdir(designed)

    def of(*prints):
        words = [word for one in prints for word in ("--came-out", one)]
        capsys.readouterr()
        assert main(["predict", "a.lathe.h5", *words, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert main(["predict", "a.lathe.h5", *words]) == 0
        return found, capsys.readouterr().out

    return of


def of_summary(capsys):
    """(thresholds, exposures) that the summary allows."""
    main(["show", "a.lathe.h5"])
    text = capsys.readouterr().out
    window = re.search(r"every threshold from ([0-9.]+) to ([0-9.]+) mJ/cm3 prints every voxel", text)
    right = re.search(r"right from ([0-9.]+) to ([0-9.]+) s", text)
    assert window, text
    assert right, text
    return [[float(end) for end in found.groups()] for found in (window, right)]


def test_right_is_the_window_of_the_summary_and_the_safe_exposures_are_its_own(said, capsys):
    planned = read_result("a.lathe.h5").patterns.exposure_s
    found, text = said(f"{planned} s: right")
    window, right = of_summary(capsys)
    threshold = found["threshold_mj_cm3"]
    lamps = 1.02  # keep a dose to 2 %
    found_window = [threshold["low"] * lamps, threshold["high"] / lamps]
    assert found_window == pytest.approx(window, abs=0.05)  # as many digits as are shown
    safe = re.search(r"comes out right from ([0-9.]+) s to ([0-9.]+) s", text)
    assert [float(end) for end in safe.groups()] == pytest.approx(right, abs=0.05)
    # beside earlier prints it counts as much as alone
    more, _ = said("1 turn of 16 s: too thin", "1 turn of 26 s: holes closed", f"{planned} s: right")
    assert more["threshold_mj_cm3"]["low"] >= threshold["low"]
    assert more["threshold_mj_cm3"]["high"] <= threshold["high"]


@pytest.mark.parametrize("before", [(), ("2 turns of 13 s: holes closed",), ("1 turn of 14 s: too thin",)])
@pytest.mark.parametrize(("words", "way"), [("soft", 1), ("sank", -1)])
def test_soft_and_sunk_prints_are_led_to_the_end_of_what_is_safe(said, capsys, words, way, before):
    planned = read_result("a.lathe.h5").patterns.exposure_s
    found, text = said(*before, f"{planned} s: {words}")
    _, right = of_summary(capsys)
    assert found["exposure_s"] == pytest.approx(right[1 if way > 0 else 0], abs=0.06)
    assert found["factor"] == pytest.approx(found["exposure_s"] / planned)  # of the print just told
    assert way * (found["factor"] - 1) > 0
    if words == "soft":
        assert f"Up to {found['exposure_s']:.1f} s" in text
        longer, _ = said(*before, f"1 turn of {1.01 * right[1]} s: soft")
        assert "exposure_s" not in longer
        assert "cure it after washing" in longer["no_exposure_because"]


def test_values_for_the_resin_pasted_into_the_job_leave_it_as_good(said, designed, tmp_path, capsys):
    """A narrow bracket of two prints; the job then designs, checks and predicts as well as before."""
    planned = read_result("a.lathe.h5").patterns.exposure_s
    _, text = said(f"1 turn of {0.87 * planned} s: right", f"1 turn of {1.12 * planned} s: right")
    lines = re.findall(r"^  ([a-z_0-9]+) = ([0-9.]+)$", text, re.MULTILINE)
    assert [name for name, _ in lines] == ["liquid_below_mj_cm3", "solid_above_mj_cm3", "doses_known_to_percent"]
    job = (designed / "a.toml").read_text()
    for name, value in lines:
        job, hits = re.subn(rf"^{name} = .*$", f"{name} = {value}", job, flags=re.MULTILINE)
        assert hits == 1
    (tmp_path / "b.toml").write_text(job)
    pasted = dict(lines)
    low, high = float(pasted["liquid_below_mj_cm3"]), float(pasted["solid_above_mj_cm3"])
    assert high / low <= 43 / 41 * 1.001
    assert float(pasted["doses_known_to_percent"]) <= 5
    found = []
    for file in (designed / "a.toml", tmp_path / "b.toml"):
        check, record = main(["check", str(file)]), ll.design(file)
        capsys.readouterr()
        found.append((check, outcome_of(record.quality).level, record.quality))
    assert found[0][:2] == found[1][:2]
    assert found[1][1] == "prints"
    before, after = ([q[f"{way}_percent"] for way in ("shorter", "longer")] for _, _, q in found)
    assert sum(after) >= sum(before) - 0.5  # doses that lie no further apart leave as much room


def test_an_exposure_beyond_the_longest_is_marginal(said, capsys):
    """23 s would print as well as 20, but max_exposure_s is 21."""
    for seconds, code in (("20", 0), ("21", 0), ("21.5", 3)):
        assert main(["predict", "a.lathe.h5", "--exposure", seconds]) == code
        reason = "marginal: it takes a longer exposure than the longest allowed (max_exposure_s) (exit code 3)"
        assert (reason in capsys.readouterr().out) == (code == 3)


def test_one_dose_for_both_is_asked_about(small_job, tmp_path, capsys):
    (tmp_path / "a.toml").write_text(small_job(liquid_below=42, solid_above=42))
    assert main(["check", str(tmp_path / "a.toml")]) == 3
    said = capsys.readouterr().out
    assert "liquid_below and solid_above are one dose, 42 mJ/cm3" in said
    assert "liquid_below_mj_cm3 = 37.8, solid_above_mj_cm3 = 46.2" in said
