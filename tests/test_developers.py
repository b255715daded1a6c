"""What DEVELOPERS.md names is there: files, folders, tables of members; and it stays a page to read at one go."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "engine" / "lightlathe"
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CODE = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", TEXT, flags=re.S))
PATHS = sorted({name for name in CODE if re.fullmatch(r"[\w./]+(\.(py|md|cu|js)|/)", name)})
NAMES = sorted({name for name in CODE if re.fullmatch(r"[A-Z][A-Z_]{3,}", name)} - {"NAME"})


def assigned() -> set[str]:
    """Every name that a module of the package gives a value at its top, `LOSSES` for one."""
    found: set[str] = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            found |= {target.id for target in targets if isinstance(target, ast.Name)}
    return found


def test_it_names_enough_for_the_tests_below_to_mean_something():
    assert len(PATHS) > 80
    assert {"LOSSES", "SOLVERS", "RESINS", "BEAMS", "KERNELS", "SHAPES", "QUESTIONS", "WRITERS"} <= set(NAMES)


@pytest.mark.parametrize("name", PATHS)
def test_every_file_and_folder_is_there(name):
    """In the package, or from the root of the checkout; a file without a folder anywhere in the package."""
    found = (PACKAGE / name).exists() or (ROOT / name).exists()
    assert found or ("/" not in name and any(PACKAGE.rglob(name)))


def test_every_table_is_there():
    assert set(NAMES) - assigned() == set()


def test_every_folder_of_the_package_has_its_row():
    rows = " ".join(line for line in TEXT.splitlines() if line.startswith("| `"))
    folders = {path.name for path in PACKAGE.iterdir() if path.is_dir() and (path / "__init__.py").exists()}
    assert {folder for folder in folders if f"`{folder}/`" not in rows} == set()
    modules = {path.name for path in PACKAGE.glob("*.py")} - {"__init__.py", "__main__.py"}
    assert {module for module in modules if f"`{module}`" not in rows} == set()
