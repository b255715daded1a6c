"""What the README shows is true: its Python runs, its commands and files exist."""

import re
from pathlib import Path

import pytest

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
