"""`lightlathe help TOPIC`."""

import pytest

from lightlathe.cli.help import topics
from lightlathe.cli.main import main


def test_without_a_topic_all_are_listed_with_their_titles(capsys):
    assert main(["help"]) == 0
    said = capsys.readouterr().out
    for name, text in topics().items():
        title = text.splitlines()[0].removeprefix("# ")
        assert f"  {name}" in said
        assert title in said


@pytest.mark.parametrize("name", topics())
def test_each_topic_is_printed_and_fits_a_terminal(name, capsys):
    """Tables and code may be wider; sentences are wrapped at 88 columns."""
    assert main(["help", name]) == 0
    said = capsys.readouterr().out
    assert said.startswith("# ")
    assert said.rstrip() == topics()[name].rstrip()
    inside, wide = False, []
    for line in said.splitlines():
        inside ^= line.startswith("```")
        if not inside and not line.startswith(("|", "```", "    ", "# ")) and len(line) > 88:
            wide.append(line)
    assert not wide


def test_an_unknown_topic_is_one_error_with_the_nearest(capsys):
    assert main(["help", "prins"]) == 1
    assert "Did you mean 'prints'" in capsys.readouterr().err
