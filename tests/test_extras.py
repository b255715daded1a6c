"""Every extra that a message, a comment or the README names can be installed."""

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
HINT = re.compile(r"pip install ((?:'[^']+' )+)\([^)]*the extra '([a-z]+)'\)")
NAMED = re.compile(r"(?:lightlathe|\.)\[([a-z,]+)\]|[Ee]xtra [`']([a-z]+)[`']")


def named():
    """(file, extra) for every mention."""
    found = set()
    for path in (*(ROOT / "engine").rglob("*.py"), ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        for several, one in NAMED.findall(path.read_text(encoding="utf-8")):
            found |= {(path.name, extra) for extra in (several or one).split(",")}
    return found


def test_every_extra_named_exists():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    assert {extra for _, extra in named()} >= {"gpu", "plot", "test"}  # the search finds what is known to be there
    assert not {(file, extra) for file, extra in named() if extra not in extras}
    own = [r for group in extras.values() for r in map(Requirement, group) if r.name == "lightlathe"]
    assert all(set(requirement.extras) <= set(extras) for requirement in own)


def test_what_a_message_says_to_install_is_what_its_extra_asks_for():
    """Whoever installed a wheel has no folder for `pip install -e '.[plot]'`; the name of the package always works."""
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    asked = {extra: [Requirement(r) for r in group] for extra, group in extras.items()}
    found = 0
    for path in (ROOT / "engine").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "pip install -e" not in text, path
        for said, extra in HINT.findall(text):
            found += 1
            for one in map(Requirement, re.findall("'([^']+)'", said)):
                assert any((r.name, r.specifier) == (one.name, one.specifier) for r in asked[extra])
    assert found >= 3
