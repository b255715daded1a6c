"""What a person meets who does things for the first time: one meaning of exit codes, assumed values marked, messages
that name what was typed."""

import dataclasses
import json
import shutil

import pytest
import trimesh

from lightlathe.cli.main import main
from lightlathe.pipeline import predict
from lightlathe.report.page.extract import extract
from lightlathe.report.page.settings import rows
from lightlathe.report.page.side_by_side import settings_that_differ
from lightlathe.result import read_result


@pytest.fixture(scope="module")
def folder(tmp_path_factory, small_job):
    """A job, its result in slabs of 3 slices, and what was kept of its prints."""
    folder = tmp_path_factory.mktemp("first")
    (folder / "disc.toml").write_text(small_job(iterations=8) + "slab_slices = 3\nbound_iterations = 0\n")
    assert main(["design", str(folder / "disc.toml"), "-o", str(folder / "disc.lathe.h5")]) == 3
    return folder


@pytest.fixture
def here(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    capsys.readouterr()
    return folder


def test_predict_as_designed_ends_with_the_code_of_show(here, capsys):
    """The disc prints every voxel right; it is marginal for the margins of its exposure alone."""
    quality = read_result("disc.lathe.h5").quality
    assert quality["wrong_voxels"] == 0
    assert main(["show", "disc.lathe.h5"]) == 3
    why = capsys.readouterr().out.splitlines()[-1]
    assert why.startswith("marginal: ")
    assert main(["predict", "disc.lathe.h5"]) == 3
    assert capsys.readouterr().out.splitlines()[-1] == why
    assert main(["predict", "disc.lathe.h5", "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    for name in ("shortest_s", "longest_s", "shorter_percent", "longer_percent"):
        assert found[name] == quality[name] or quality[name] != quality[name]


def test_the_margins_of_another_exposure_move_with_it(here, capsys):
    """The range of exposures that print right is one and the same, wherever in it the exposure lies."""
    planned = read_result("disc.lathe.h5")
    for factor in (0.99, 1.01):
        seconds = factor * planned.patterns.exposure_s
        main(["predict", "disc.lathe.h5", "--exposure", str(seconds), "--json"])
        found = json.loads(capsys.readouterr().out)
        assert found["shortest_s"] == pytest.approx(planned.quality["shortest_s"], rel=1e-5)  # doses are float32
        assert found["longest_s"] == pytest.approx(planned.quality["longest_s"], rel=1e-5)
        assert found["shorter_percent"] == pytest.approx(100 * (1 - found["shortest_s"] / seconds), abs=1e-6)


def test_a_result_of_a_card_is_judged_by_its_own_margins(here):
    """A card rounds otherwise than the CPU that predicts: its doses differ by more than a millionth, and the margins of
    a robust design are no others for that."""
    record = read_result("disc.lathe.h5")
    quality = record.quality | {"window_low_mj_cm3": 1.0001 * record.quality["window_low_mj_cm3"], "reachable": 0.0}
    quality |= {"shorter_percent": 1.5, "longer_percent": 1.25}  # of the worst scenario
    robust = dataclasses.replace(record, prediction=dataclasses.replace(record.prediction, quality=quality))
    found = predict(robust).quality
    assert (found["shorter_percent"], found["longer_percent"], found["reachable"]) == (1.5, 1.25, 0.0)
    other = predict(robust, axis_offset_mm=0.25).quality
    assert other["longer_percent"] != 1.25
    assert "reachable" not in other


def test_slabs_are_told(here, capsys):
    main(["show", "disc.lathe.h5"])
    (line,) = (line for line in capsys.readouterr().out.splitlines() if line.startswith("  slabs "))
    record = read_result("disc.lathe.h5")
    designed, judged = int(record.log["slabs"][0]), -(-record.part.grid.shape[2] // 3)
    assert designed < judged  # the disc's slices are equal, and those beyond it are not designed
    said = "1 slab" if designed == 1 else f"{designed} slabs"
    assert f"designed in {said} of up to 3, judged in {judged} slabs of up to 3" in line
    assert "slab_slices in [design] asks for slabs" in line
    main(["show", "disc.lathe.h5", "--json"])
    assert json.loads(capsys.readouterr().out)["facts"]["slab_slices_design"] == 3


def test_assumed_values_are_marked(here, capsys):
    record = read_result("disc.lathe.h5")
    assert "resin.refractive_index" in record.assumed_keys
    shown = {cell[0]: cell[1] for cell in rows(record.settings["resin"], "resin", record.assumed_keys)}
    assert "(assumed)" in shown["<code>refractive_index</code>"]
    assert "(assumed)" not in shown["<code>absorption_per_mm</code>"]
    light = {cell[0]: cell[1] for cell in rows(record.settings["light"], "light", record.assumed_keys)}
    assert "(assumed)" in light["<code>beam.kind</code>"]
    main(["show", "disc.lathe.h5"])
    assert "refractive index of 1.5, which is assumed (refractive_index in [resin] is not given)" in (
        capsys.readouterr().out
    )
    main(["check", "disc.toml"])
    assert "refractive index of 1.5, which is assumed" in capsys.readouterr().out


def test_side_by_side_marks_them_too(here, small_job):
    stated = small_job(iterations=2).replace("[resin]\n", "[resin]\nrefractive_index = 1.4\n")
    (here / "stated.toml").write_text(stated + "bound_iterations = 0\n")
    main(["design", "stated.toml", "--force"])
    ones = [extract(read_result(name), name, name, None, 0.5) for name in ("disc.lathe.h5", "stated.lathe.h5")]
    body = settings_that_differ(ones).body
    row = body[body.index("resin.refractive_index") :].partition("</tr>")[0]
    assert row.index("1.5") < row.index("(assumed)") < row.index("1.4")
    assert row.count("(assumed)") == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--surroundings", "air"], "--surroundings is 'air' and --wall-mm is missing"),
        (["--wall-mm", "1"], "--wall-mm is given and --surroundings is not"),
        (["--fill-factor", "2"], "--fill-factor is 2; expected --pixel-shape square beside it"),
        (["--focus-mm", "2"], "expected --numerical-aperture beside it"),
        (["--absorption", "-1"], "--absorption is -1"),
        (["--axis-tilt-deg", "80"], "--axis-tilt-deg is 80"),
    ],
)
def test_messages_name_the_options_that_were_typed(here, capsys, arguments, said):
    assert main(["predict", "disc.lathe.h5", *arguments]) == 1
    error = capsys.readouterr().err
    assert said in error
    for absent in ("the assumptions", "wall_mm", "fill_factor", "numerical_aperture", "absorption_per_mm", "[vial]"):
        assert absent not in error


@pytest.mark.parametrize("command", ["show", "report", "predict", "export"])
def test_a_file_of_another_kind_is_called_what_it_is(here, capsys, command):
    (here / "study.toml").write_text('[study]\njobs = ["disc.toml"]\n')
    (here / "odd.txt").write_text("hello")
    (here / "disc.lathe.outcomes.json").write_text('{"format": "lightlathe-outcomes"}')
    options = ["--picture", "x.png"] if command == "export" else []
    for name, words in (
        ("disc.toml", "is a job"),
        ("study.toml", "is a study file (TOML)"),
        ("odd.txt", "odd.txt: is a text file; expected a result (HDF5)"),
        ("disc.lathe.outcomes.json", "expected the result itself, disc.lathe.h5"),
    ):
        assert main([command, name, *options]) == 1
        error = capsys.readouterr().err
        assert words in error or (
            command == "export" and name.endswith(".toml") and "is a job; expected a result" in error
        )
        for absent in ("synchronously", "signature", "Traceback"):
            assert absent not in error
    (here / "disc.lathe.outcomes.json").unlink()


@pytest.mark.parametrize(
    ("now", "broken", "said"),
    [
        ("angles = 60", "angles = ", "line {}: angles ="),
        ("angles = 60", "angles = 60 images", "line {}: angles = 60 images"),
        ("angles = 60", "angles = 60\nangles = 61", "angles = 61"),
        ("[turn]", "[turn", "line {}: [turn"),
    ],
)
def test_errors_of_toml_show_the_line(here, capsys, tmp_path, now, broken, said):
    text = (here / "disc.toml").read_text()
    number = text[: text.index(now)].count("\n") + 1
    path = tmp_path / "broken.toml"
    path.write_text(text.replace(now, broken))
    assert main(["check", str(path)]) == 1
    error = capsys.readouterr().err
    assert "not valid TOML" in error
    assert said.format(number) in error


def test_a_missing_mesh_names_the_job(here, capsys, tmp_path, small_job):
    text = small_job()
    job = tmp_path / "mine.toml"
    job.write_text('[part]\nmesh = "parts/a.stl"\nunit = "mm"\n' + text[text.index("[vial]") :])
    for command in ("check", "design"):
        assert main([command, str(job)]) == 1
        error = capsys.readouterr().err
        assert "job mine, [part] mesh = 'parts/a.stl'" in error
        assert "there is no such file" in error
        assert f"start at its own folder, {tmp_path}" in error
    (tmp_path / "parts").mkdir()
    trimesh.creation.box((4, 4, 1)).export(tmp_path / "parts" / "a.stl")
    assert main(["check", str(job)]) in (0, 3)
    shutil.rmtree(tmp_path / "parts")
