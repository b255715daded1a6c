"""Job files of before: read as they were meant, with a note."""

import pytest

from lightlathe.cli.main import main
from lightlathe.errors import JobError
from lightlathe.job import parse_job, resolved
from lightlathe.job.renamed import KEYS, KINDS
from lightlathe.losses import LOSSES


def parse(small_job, tmp_path, loss):
    return parse_job(small_job() + f"loss = {loss}\n", name="t", folder=tmp_path, file="t.toml")


def test_no_name_of_before_is_one_of_today():
    names = {"design.loss": LOSSES}
    for place, renamed in KINDS.items():
        assert not set(renamed) & set(names[place])
        assert set(renamed.values()) <= set(names[place])
    fields = {key for loss in LOSSES.values() for key in loss.__dataclass_fields__}
    assert not set(KEYS["design.loss"]) & fields
    assert set(KEYS["design.loss"].values()) <= fields


@pytest.mark.parametrize(
    ("before", "today", "notes"),
    [
        ('"dose_band"', '"dose_corridor"', 1),
        ('{ kind = "gap_hinge", void_at_most = 0.8 }', '{ kind = "gap_hinge", outside_at_most = 0.8 }', 1),
        ('{ kind = "dose_band", void_at_most = 0.8 }', '{ kind = "dose_corridor", outside_at_most = 0.8 }', 2),
        ('"gap_hinge"', '"gap_hinge"', 0),
    ],
)
def test_a_name_of_before_gives_the_job_of_today(before, today, notes, small_job, tmp_path):
    old, new = parse(small_job, tmp_path, before), parse(small_job, tmp_path, today)
    assert resolved(old) == resolved(new)
    assert len(old.renamed) == notes
    assert new.renamed == ()
    assert all("t.toml [design.loss]" in note and "today" in note for note in old.renamed)


def test_both_names_at_once_are_refused(small_job, tmp_path):
    both = '{ kind = "gap_hinge", void_at_most = 0.8, outside_at_most = 0.9 }'
    with pytest.raises(JobError, match=r"void_at_most is the former name of outside_at_most; expected one of the two"):
        parse(small_job, tmp_path, both)


@pytest.mark.parametrize("loss", ["3", "[1]", '{ void_at_most = "x" }', '{ kind = ["dose_band"] }'])
def test_what_is_no_loss_is_still_one_clear_error(loss, small_job, tmp_path):
    with pytest.raises(JobError, match=r"design\.loss"):
        parse(small_job, tmp_path, loss)


def test_the_commands_say_so_once(small_job, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    text = small_job(iterations=1) + 'loss = "dose_band"\nbound_iterations = 0\n'
    (tmp_path / "old.toml").write_text(text)
    for command in (["check"], ["design", "--anyway"]):
        main([*command, "old.toml"])
        said = capsys.readouterr().out
        assert said.count("note: old.toml [design.loss]: 'dose_band' is called 'dose_corridor' today") == 1
    (tmp_path / "s.toml").write_text(
        '[study]\njobs = ["old.toml"]\nrepeats = 1\nbound_iterations = 0\n[study.vary]\n"design.part_weight" = [1, 2]\n'
    )
    assert main(["compare", "s.toml"]) == 0
    assert capsys.readouterr().out.count("'dose_band' is called") == 1
