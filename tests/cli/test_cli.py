"""The program as a person at a terminal meets it: exit codes, files, messages without tracebacks."""

import json
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

import lightlathe
from lightlathe.cli.main import main
from lightlathe.result import read_result


@pytest.fixture
def job(small_job, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "disc.toml"
    path.write_text(small_job(iterations=8))
    return path


def test_design_predict_export(job, capsys, tmp_path):
    assert main(["design", str(job)]) == 3  # so few iterations leave no margin
    said = capsys.readouterr().out
    for word in (
        "overlap",
        "under-cure",
        "over-cure",
        "window",
        "exposure",
        "turn of",
        "safety data sheet",
        "disc.lathe.h5",
    ):
        assert word in said
    assert read_result("disc.lathe.h5").quality["iou"] > 0.9
    assert sorted(p.name for p in tmp_path.iterdir()) == ["disc.lathe.h5", "disc.toml"]

    assert main(["predict", "disc.lathe.h5", "--exposure", "5", "--json"]) == 4
    assert json.loads(capsys.readouterr().out)["under_cure_fraction"] > 0.5
    assert main(["predict", "disc.lathe.h5", "--absorption", "0.2"]) in (3, 4)
    assert "as designed" in capsys.readouterr().out

    assert main(["export", "disc.lathe.h5", "--frames", "frames", "--picture", "p.png"]) == 0
    assert len(list((tmp_path / "frames").glob("*.png"))) == 60
    assert (tmp_path / "p.png").stat().st_size > 10_000


def test_an_exposure_that_prints_wrong_is_warned_of(job, capsys, tmp_path):
    main(["design", str(job), "-o", "a.h5"])
    planned = read_result("a.h5").patterns.exposure_s
    capsys.readouterr()
    assert main(["export", "a.h5", "--frames", "f", "--exposure", f"{planned / 50!r}"]) == 0
    said = capsys.readouterr()
    assert "gives 0.02 of the planned dose" in said.err
    assert "warning" not in said.out
    assert main(["export", "a.h5", "--frames", "g", "--exposure", f"{planned!r}"]) == 0
    quality = read_result("a.h5").quality
    right = not quality["shortest_s"] > planned and not quality["longest_s"] < planned
    assert ("warning" in capsys.readouterr().err) is not right


def test_surface_and_volume(job, capsys, tmp_path):
    """Written onto themselves again; a shape has the vial's coordinates; predict judges by the surface in the file."""
    main(["design", str(job), "-o", "a.h5"])
    said = capsys.readouterr().out
    (line,) = (line for line in said.splitlines() if line.startswith("  surface "))
    assert "mm from the part's on average, 95 % within" in line
    for _ in range(2):
        assert main(["export", "a.h5", "--surface", "a.ply", "--volume", "a.vti"]) == 0
        out = capsys.readouterr().out
        assert "surface: a.ply: " in out
        assert "in mm, the vial's frame" in out
        assert "volume: a.vti: dose_mJ_per_cm3" in out
    assert main(["export", "a.h5", "--surface", "a.obj"]) == 1
    assert "ends in .stl, .ply, .3mf, .glb" in capsys.readouterr().err
    assert main(["export", str(job), "--surface", "a.stl"]) == 1
    assert "is a job; expected a result" in capsys.readouterr().err
    main(["predict", "a.h5", "--json"])
    again = json.loads(capsys.readouterr().out)
    designed = read_result("a.h5").quality
    names = [name for name in designed if name.startswith("surface_")]
    assert len(names) == 8
    assert {name: again[name] for name in names} == pytest.approx({name: designed[name] for name in names}, abs=1e-6)
    main(["predict", "a.h5", "--exposure", "6"])
    assert "surface, largest, mm" in capsys.readouterr().out


def test_a_result_is_never_overwritten_unasked(job, capsys):
    assert main(["design", str(job), "-o", "a.h5"]) == 3
    assert main(["design", str(job), "-o", "a.h5"]) == 1
    assert "is there already" in capsys.readouterr().err
    assert main(["design", str(job), "-o", "a.h5", "--force"]) == 3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["design", "none.toml"], "none.toml"),
        (["predict", "none.h5"], "no such file"),
        (["export", "none.h5"], "nothing to export"),
        (["design", "disc.toml", "--resume"], "no such file"),
    ],
)
def test_mistakes_end_in_one_clear_error(job, capsys, arguments, words):
    assert main(arguments) == 1
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error


def test_a_killed_run_leaves_a_state_to_go_on_from(job, tmp_path, small_job, monkeypatch, capsys):
    """Ctrl-C in the middle: exit code 130, the state written, no result; --resume gives the whole design."""
    from lightlathe.flow import one_stage

    real = one_stage.solve

    def interrupted(*args, **kwargs):
        inner = kwargs["on_iteration"]

        def stop_at_five(row):
            inner(row)
            if row["iteration"] == 5:
                raise KeyboardInterrupt

        return real(*args, **{**kwargs, "on_iteration": stop_at_five})

    monkeypatch.setattr(one_stage, "solve", interrupted)
    assert main(["design", str(job)]) == 130
    assert sorted(p.name for p in tmp_path.iterdir()) == ["disc.lathe.partial.h5", "disc.toml"]
    monkeypatch.setattr(one_stage, "solve", real)
    state = (tmp_path / "disc.lathe.partial.h5").read_bytes()
    assert main(["design", str(job)]) == 1  # hours of work are not lost to an arrow key
    assert "holds an unfinished run. Go on from it with --resume" in capsys.readouterr().err
    assert (tmp_path / "disc.lathe.partial.h5").read_bytes() == state
    assert main(["design", str(job), "--resume"]) == 3
    assert sorted(p.name for p in tmp_path.iterdir()) == ["disc.lathe.h5", "disc.toml"]
    log = read_result("disc.lathe.h5").log["iteration"]
    assert log == list(range(8))


@pytest.mark.parametrize(
    "command",
    [[Path(sysconfig.get_path("scripts")) / "lightlathe"], [sys.executable, "-m", "lightlathe"]],
    ids=["command", "module"],
)
def test_the_program_is_installed(command):
    """The command itself, where pip puts the commands of this Python; and the package run as a module."""
    done = subprocess.run([*command, "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"lightlathe {lightlathe.__version__}\n"
    wrong = subprocess.run([*command, "check", "none.toml"], capture_output=True, text=True, check=False)
    assert (wrong.returncode, wrong.stderr.partition(":")[0]) == (1, "JobError")


@pytest.mark.parametrize(
    "arguments",
    [
        ["design", "disc.toml", "-o", "a.h5", "-o", "b.h5"],
        ["design", "disc.toml", "-o", "a.h5", "--output", "b.h5"],
        ["predict", "a.h5", "--exposure", "5", "--exposure", "6"],
        ["export", "a.h5", "--picture", "a.png", "--picture", "b.png"],
        ["resin", "a.csv", "--absorption", "1", "--absorption", "2"],
        ["compare", "a.toml", "--plots", "a", "--plots", "b"],
        ["bench", "--device", "cpu", "--device", "cuda"],
    ],
)
def test_an_option_given_twice_is_refused(capsys, arguments):
    """The first value would be lost in silence."""
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "is given twice; expected it once" in capsys.readouterr().err


def test_without_a_command_all_are_listed(capsys):
    from lightlathe.cli.main import COMMANDS

    with pytest.raises(SystemExit) as left:
        main([])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert all(f"\n    {name} " in said for name in COMMANDS)
    assert "COMMAND --help" in said


@pytest.mark.parametrize(
    ("wrong", "right"), [("desing", "Did you mean design?"), ("exprot", "export?"), ("xyzzy", "help.")]
)
def test_a_misspelt_command_is_answered_with_the_nearest(capsys, wrong, right):
    with pytest.raises(SystemExit) as left:
        main([wrong, "a.toml"])
    assert left.value.code == 2
    said = capsys.readouterr().err.strip()
    assert f"there is no command '{wrong}'" in said
    assert said.endswith(right)


def test_a_mesh_is_no_result(capsys, tmp_path):
    (tmp_path / "a.STL").write_bytes(bytes(84))
    assert main(["show", str(tmp_path / "a.STL")]) == 1
    assert "is a mesh, not a result" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["design", "a.toml", "--resum"], None),  # argparse takes what is unique
        (["design", "a.toml", "--itertions", "3"], "there is no option --itertions of lightlathe design."),
        (["predict", "a.h5", "--axis_offset", "1"], "there is no option --axis_offset of lightlathe predict. Did you"),
        (["show", "a.h5", "b.h5"], "b.h5 is one too many; expected lightlathe show RESULT [options]."),
    ],
)
def test_an_option_that_is_none_is_named_with_its_command(arguments, said, capsys):
    if said is None:
        assert main(arguments) == 1
        return
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    error = capsys.readouterr().err
    assert said in error
    assert f"usage: lightlathe {arguments[0]} " in error
