"""What the README and the texts of `lightlathe help` show is true: Python runs, tables are jobs, commands exist."""

import re
import shlex
import tomllib
from pathlib import Path

import pytest

import lightlathe as ll
from lightlathe.cli.help import topics
from lightlathe.cli.main import main
from lightlathe.cli.options import parser
from lightlathe.job import job_from
from lightlathe.job.design import Design
from lightlathe.job.toml import toml_of
from lightlathe.solve import copies
from lightlathe.study.plan import load_plan

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text()
TOPICS = topics()
TEXTS = {"README": README, **TOPICS}


def blocks(language, text=README):
    """The contents of the fenced blocks of a language, "" for those without one."""
    found, opened = [], None
    for line in text.splitlines(keepends=True):
        if not line.startswith("```"):
            if opened is not None:
                found[-1][1].append(line)
        elif opened is None:
            opened = line[3:].strip()
            found.append((opened, []))
        else:
            opened = None
    return ["".join(lines) for named, lines in found if named == language]


def python_with(words, text=README):
    """The one Python block that holds these words."""
    (block,) = [block for block in blocks("python", text) if words in block]
    return block


@pytest.fixture
def a_study(small_job, tmp_path, monkeypatch):
    """A study of two quick runs under the name that the README gives to its own."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "job.toml").write_text(small_job(iterations=2))
    (tmp_path / "study.toml").write_text(
        '[study]\njobs = ["job.toml"]\nrepeats = 1\nbound_iterations = 0\n'
        'vary = { "design.loss" = ["gap_hinge", "soft_window"] }\n'
    )
    assert main(["compare", "study.toml", "-o", "losses.study.h5"]) == 0


def test_the_first_python_designs(small_job, tmp_path, monkeypatch, capsys):
    """As printed, on a job that designs in a second instead of the quickstart."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "job.toml").write_text(small_job(iterations=5))
    code = python_with("ll.load_job").replace("configs/quickstart.toml", "job.toml")
    exec(compile(code, "README, a design", "exec"), {})
    assert (tmp_path / "my_print.lathe.h5").exists()
    assert "(40, 40" in capsys.readouterr().out


def test_the_operator_has_a_gradient():
    names: dict = {}
    exec(compile(python_with("ll.DoseOperator"), "README, the operator", "exec"), names)
    assert names["patterns"].grad.abs().sum() > 0


def test_the_table_of_a_study(a_study):
    names: dict = {}
    exec(compile(python_with("study_table"), "README, the table", "exec"), names)
    assert [len(names[name]) for name in ("runs", "ranked")] == [2, 2]


def test_the_loss_is_a_loss(small_job, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.py").write_text(python_with("def shortfall"))
    job = job_from({**tomllib.loads(small_job()), "design": {"loss": "mine.py:shortfall", "iterations": 2}})
    assert ll.design(job).quality["iou"] > 0


def test_every_python_block_is_run_by_a_test_here():
    run = ("ll.load_job", "ll.DoseOperator", "study_table", "def shortfall", "ll.Voxels(mask")
    assert len(blocks("python")) == len(run) == len({python_with(words) for words in run})
    assert {name: len(blocks("python", text)) for name, text in TOPICS.items() if "```python" in text} == {"members": 1}


TABLES = [(name, n) for name, text in TEXTS.items() for n in range(len(blocks("toml", text)))]


@pytest.mark.parametrize(("name", "number"), TABLES)
def test_every_table_is_one_of_a_job_or_a_study(name, number, small_job, tmp_path):
    """The keys that stand there, over those of a small job: read without an error."""
    tables = tomllib.loads(blocks("toml", TEXTS[name])[number])
    if "study" in tables:
        (tmp_path / "quickstart.toml").write_text(small_job())
        (tmp_path / "mine.py").write_text("def contrast(record):\n    return 1.0\n")
        (tmp_path / "study.toml").write_text(toml_of(tables))
        assert load_plan(tmp_path / "study.toml").jobs
        return
    (tmp_path / "mine.py").write_text(blocks("python", TOPICS["members"])[0])
    job = tomllib.loads(small_job())
    for table, keys in tables.items():
        if table == "part" and isinstance(keys, list):
            job[table] = [job[table], *keys]
        else:
            job[table] = keys if table in ("part", "notes") else {**job[table], **keys}
    assert job_from(job, folder=tmp_path)


@pytest.fixture
def with_own_members(small_job, tmp_path, monkeypatch):
    """The README's mine.py, and a job that takes all of its members: the README's keys over those of the small job."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.py").write_text(blocks("python", TOPICS["members"])[0])
    tables, ours = tomllib.loads(small_job(iterations=4)), tomllib.loads(blocks("toml", TOPICS["members"])[-1])
    for name, table in ours.items():
        tables[name] = table if name == "part" else tables[name] | table
    (tmp_path / "own.toml").write_text(toml_of(tables))
    return tmp_path


def test_one_of_each_family_is_checked_and_designed(with_own_members, capsys):
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
    exec(compile(python_with("ll.Voxels(mask"), "README, a job from a dict", "exec"), names)
    record = names["record"]
    assert record.quality["iou"] > 0.9
    assert record.part.volume_mm3 == pytest.approx(12 * 12 * 8 * 0.25**3)
    assert record.settings["design"]["loss"]["sharpest"] == 200


def test_every_command_and_file_named_is_there():
    known = next(action.choices for action in parser()._actions if isinstance(action.choices, dict))
    for text in TEXTS.values():
        used = set(re.findall(r"^lightlathe (\w+)|`lightlathe\s(\w+)|&& lightlathe (\w+)", text, flags=re.M))
        for command in {word for words in used for word in words if word}:
            assert command in {*known, "COMMAND"}, command
        for file in set(re.findall(r"configs/[\w/.]+\w", text)):
            assert (ROOT / file).exists(), file
        for topic in re.findall(r"`lightlathe\s+help\s+(\w+)`", text):
            assert topic in TOPICS, topic


COMMANDS = next(action.choices for action in parser()._actions if isinstance(action.choices, dict))


@pytest.mark.parametrize("command", COMMANDS)
def test_the_help_of_each_command_fits_one_screen_and_has_an_example(command, monkeypatch):
    """80 columns, 40 lines; only the example may be wider, so that it can be copied. The example parses."""
    monkeypatch.setenv("COLUMNS", "80")
    text = COMMANDS[command].format_help()
    assert len(text.splitlines()) <= 40, text
    head, _, tail = text.partition("example:")
    assert tail
    assert max(map(len, head.splitlines())) <= 80
    for line in re.findall(r"lightlathe (.+)", tail):
        for part in line.split(" && "):
            parser().parse_args(shlex.split(part.removeprefix("lightlathe ")))


def commands_in(text):
    """Each line of the blocks without a language that calls the program."""
    return [line for block in blocks("", text) for line in block.splitlines() if re.match(r"(.*&& )?lightlathe ", line)]


@pytest.mark.parametrize("name", [name for name, text in TEXTS.items() if commands_in(text)])
def test_every_command_line_that_is_shown_is_one(name):
    for line in commands_in(TEXTS[name]):
        called = re.sub(r"\b(RESULT|STUDY)\b", "x.lathe.h5", line.rpartition("&& ")[2])
        parser().parse_args(shlex.split(called.removeprefix("lightlathe ")))


def test_the_two_commands_are_those_that_ci_runs():
    ci = (ROOT / ".ci" / "run").read_text()
    for block in blocks("")[:2]:
        assert block.strip() in ci


def test_the_memory_of_a_design_is_what_the_check_counts():
    """Bytes a pattern pixel and a voxel, of the defaults, on a CPU and on a card."""
    design = Design()
    told = re.search(
        r"takes\s+about\s+(\d+)\s+bytes\s+a\s+pattern\s+pixel\s+and\s+(\d+)\s+a\s+voxel\s+on\s+a\s+CPU,\s+(\d+)\s+and\s+(\d+)\s+on\s+a\s+card",
        TOPICS["check"],
    )
    counted = [4 * n for device in ("cpu", "cuda") for n in copies(design.solver, design.loss, device)]
    assert [int(n) for n in told.groups()] == counted
