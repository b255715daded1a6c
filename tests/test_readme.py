"""What the README shows is true: its Python runs, its commands and files exist."""

import re
import tomllib
from pathlib import Path

import pytest

import lightlathe as ll
from lightlathe.job.design import Design
from lightlathe.job.toml import toml_of
from lightlathe.solve import copies

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text()


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.S)


@pytest.mark.parametrize("number", range(2))
def test_the_python_runs(number, small_job, tmp_path, monkeypatch, capsys):
    """As printed, on a job that designs in a second instead of the quickstart."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "job.toml").write_text(small_job(iterations=5))
    code = blocks("python")[number].replace("configs/quickstart.toml", "job.toml")
    names: dict = {}
    exec(compile(code, f"README, Python block {number}", "exec"), names)
    if number == 0:
        assert (tmp_path / "valve.lathe.h5").exists()
        assert "(40, 40" in capsys.readouterr().out
    else:
        assert names["patterns"].grad.abs().sum() > 0


@pytest.fixture
def with_own_members(small_job, tmp_path, monkeypatch):
    """The README's mine.py, and a job that takes all of its members: the README's keys over those of the small job."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.py").write_text(blocks("python")[2])
    tables, ours = tomllib.loads(small_job(iterations=4)), tomllib.loads(blocks("toml")[-1])
    for name, table in ours.items():
        tables[name] = table if name == "part" else tables[name] | table
    (tmp_path / "own.toml").write_text(toml_of(tables))
    return tmp_path


def test_one_of_each_family_is_checked_and_designed(with_own_members, capsys):
    from lightlathe.cli.main import main
    from lightlathe.families import __all__ as families

    job = ll.load_job("own.toml")
    assert len(job.own) == 9
    assert {member.family for member in job.own} | {"figure", "vialsize"} >= {name.lower() for name in families}
    assert main(["check", "own.toml"]) in (0, 3)
    said = capsys.readouterr().out
    assert said.count("is Python of the job's own; running") == 4
    assert said.count("is Python of the job's own; `design` runs") == 5
    main(["design", "own.toml", "-o", "own.h5"])
    assert capsys.readouterr().out.count("; running") == 9
    record = ll.read_result("own.h5")
    assert record.settings["resin"]["percent_per_minute"] == 0.5
    assert record.settings["design"]["solver"] == "mine.py:Descent"
    assert record.quality["iou"] > 0.8
    assert list(record.settings["sources"]) == ["mine.py"]


def test_the_figure_ranks_a_study(with_own_members, capsys):
    from lightlathe.cli.main import main

    (with_own_members / "study.toml").write_text(
        '[study]\njobs = ["own.toml"]\nrepeats = 1\nbound_iterations = 0\nrank_by = "mine.py:worth"\n'
        'vary = { "design.loss" = ["gap_hinge", "mine.py:shortfall"] }\n'
    )
    assert main(["compare", "study.toml"]) == 0
    assert capsys.readouterr().out.count("mine.py:worth is Python") == 1
    (with_own_members / "mine.py").write_text("raise ValueError('never run again')")
    assert main(["compare", "study.study.h5"]) == 0
    assert "ranked by" in capsys.readouterr().out


def test_a_job_from_a_dict(with_own_members):
    names: dict = {}
    exec(compile(blocks("python")[3], "README, a job from a dict", "exec"), names)
    record = names["record"]
    assert record.quality["iou"] > 0.9
    assert record.part.volume_mm3 == pytest.approx(12 * 12 * 8 * 0.25**3)
    assert record.settings["design"]["loss"]["sharpest"] == 200


def test_every_command_and_file_named_is_there():
    from lightlathe.cli.main import parser

    known = next(action.choices for action in parser()._actions if isinstance(action.choices, dict))
    used = set(re.findall(r"^lightlathe (\w+)|`lightlathe (\w+)|&& lightlathe (\w+)", README, flags=re.M))
    for command in {word for words in used for word in words if word}:
        assert command in known, command
    for file in set(re.findall(r"configs/[\w/.]+\w", README)):
        assert (ROOT / file).exists(), file


def test_the_two_commands_are_those_that_ci_runs():
    ci = (ROOT / ".ci" / "run").read_text()
    for block in blocks("")[:2]:
        assert block.strip() in ci


def test_the_memory_of_a_design_is_what_the_check_counts():
    """Bytes a pattern pixel and a voxel, of the defaults, on a CPU and on a card."""
    design = Design()
    told = re.search(
        r"takes about (\d+) bytes a pattern pixel and (\d+) a voxel on a\s+CPU, (\d+) and (\d+) on a card", README
    )
    counted = [4 * n for device in ("cpu", "cuda") for n in copies(design.solver, design.loss, device)]
    assert [int(n) for n in told.groups()] == counted
