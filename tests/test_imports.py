"""Imports run one way, and importing the package stays light."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ENGINE = Path(__file__).resolve().parents[1] / "engine"
PACKAGE = ENGINE / "lightlathe"

# From the ground up; a module imports from rows below its own, or from its own folder. Stages share one row.
STAGES = ["part", "beams", "dose", "resins", "losses", "projector", "solve", "judge", "result", "export"]
ROWS = [
    ["errors"],
    ["checks"],
    ["support"],
    ["gpu"],
    ["quantities"],
    ["families"],
    STAGES,
    ["job"],
    ["flow"],
    ["feasibility"],
    ["report"],
    ["outputs"],
    ["pipeline", "bench"],
    ["study"],
    ["cli"],
    ["__main__"],
]
RANK = {name: rank for rank, row in enumerate(ROWS) for name in row}
HEAVY = ["trimesh", "h5py", "numba", "triton", "scipy", "matplotlib", "plotly", "skimage"]
KERNELS_MAY = {"dose", "errors", "gpu", "support"}  # beside torch, its own library and its own folder


def sources() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def home(path: Path) -> str:
    """Folder or module right under the package."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> list[tuple[int, str]]:
    """Line and dotted name of everything that the source imports, wherever in it, relative names made whole."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), str(path))):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = path.relative_to(ENGINE).with_suffix("").parts[: -node.level]
                base = ".".join([*parents, *([base] if base else [])])
            # `from lightlathe import job` names a module too, `from lightlathe import __version__` does not
            if base == "lightlathe":
                found += [(node.lineno, f"lightlathe.{a.name}") for a in node.names if a.name in RANK]
            else:
                found.append((node.lineno, base))
    return found


def faults(path: Path) -> list[str]:
    here, wrong = home(path), []
    for line, name in imported(path):
        if not name.startswith("lightlathe."):
            continue
        there = name.split(".")[1]
        if here != there and RANK[there] >= RANK[here]:
            wrong.append(f"{path.relative_to(ENGINE.parent)}:{line} imports {name}; {here} may import only from below")
    return wrong


def test_every_module_has_its_place():
    assert {home(path) for path in sources()} - {"__init__"} <= set(RANK)


@pytest.mark.parametrize(
    "path",
    [p for p in sources() if p.parent != PACKAGE or p.stem != "__init__"],
    ids=lambda p: str(p.relative_to(PACKAGE)),
)
def test_imports_run_one_way(path):
    assert not faults(path), "\n".join(faults(path))


def test_a_turned_arrow_is_found(tmp_path, monkeypatch):
    monkeypatch.setitem(globals(), "ENGINE", tmp_path)
    monkeypatch.setitem(globals(), "PACKAGE", tmp_path / "lightlathe")
    wrong = tmp_path / "lightlathe" / "dose" / "wrong.py"
    wrong.parent.mkdir(parents=True)
    wrong.write_text("import torch\n\ndef f():\n    from ..beams import telecentric\n")
    assert "wrong.py:4 imports lightlathe.beams" in faults(wrong)[0]
    wrong.write_text("from lightlathe import pipeline\n")
    assert "wrong.py:1 imports lightlathe.pipeline" in faults(wrong)[0]
    wrong.write_text("from lightlathe.quantities import Grid\nfrom lightlathe.dose.views import Views\n")
    assert not faults(wrong)


def test_the_root_holds_the_flow_and_what_all_share():
    assert {p.name for p in PACKAGE.glob("*.py")} == {
        "__init__.py", "__main__.py", "pipeline.py", "outputs.py", "checks.py", "errors.py"
    }  # fmt: skip


def modules() -> dict[str, Path]:
    """Every module of the package by its dotted name."""
    named = {".".join(path.relative_to(ENGINE).with_suffix("").parts): path for path in sources()}
    return {name.removesuffix(".__init__"): path for name, path in named.items()}


def arrows() -> dict[str, set[str]]:
    """The modules of the package that each of them imports, wherever in it."""
    known = modules()
    found: dict[str, set[str]] = {name: set() for name in known}
    for name, path in known.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found[name] |= {alias.name for alias in node.names} & set(known)
            elif isinstance(node, ast.ImportFrom) and node.module:
                within = {f"{node.module}.{alias.name}" for alias in node.names} & set(known)
                found[name] |= within or ({node.module} & set(known))
    return {name: there - {name, "lightlathe"} for name, there in found.items()}


def circles(graph: dict[str, set[str]]) -> list[str]:
    """Modules that come back to themselves along the arrows."""

    def reached(start: str) -> set[str]:
        seen, ahead = set(), [start]
        while ahead:
            for name in graph[ahead.pop()] - seen:
                seen.add(name)
                ahead.append(name)
        return seen

    return sorted(name for name in graph if name in reached(name))


def test_no_import_circle():
    """Not inside a folder either, imports within functions counted."""
    assert circles(arrows()) == []


def test_a_circle_is_found():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == ["b", "c"]


def test_kernels_lean_on_nothing_else():
    for path in (PACKAGE / "dose" / "kernels").glob("*.py"):
        for line, name in imported(path):
            if name.startswith("lightlathe."):
                assert name.split(".")[1] in KERNELS_MAY, f"{path.name}:{line} imports {name}"
                allowed = ("dose.kernels", "errors", "gpu.packed", "support.threads")
                assert name.removeprefix("lightlathe.").startswith(allowed), f"{path.name}:{line}"
    allowed = {"torch", "collections", "dataclasses", "math"}
    for path in (PACKAGE / "dose" / "kernels").glob("reference*.py"):
        for line, name in imported(path):
            assert name.split(".")[0] in allowed, f"{path.name}:{line} imports {name}; it may lean on torch alone"


def test_only_the_command_line_prints():
    for path in sources():
        if home(path) == "cli":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print":
                raise AssertionError(f"{path.relative_to(ENGINE.parent)}:{node.lineno} prints; use logging")


@pytest.mark.parametrize("module", ["lightlathe", "lightlathe.pipeline", "lightlathe.cli.main"])
def test_importing_loads_no_heavy_library(module):
    code = f"import sys, {module}; print(*[m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=True)
    assert done.stdout.split() == []


def test_every_name_of_the_package_is_there():
    import lightlathe

    assert set(lightlathe.__all__) <= set(dir(lightlathe))
    assert all(getattr(lightlathe, name) is not None for name in lightlathe.__all__)


def test_the_package_itself_is_light():
    """`import lightlathe` runs its own few lines: no module of its own, so its time is the interpreter's."""
    code = "import sys, lightlathe; print(*sorted(m for m in sys.modules if m.startswith('lightlathe')))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=True)
    assert done.stdout.split() == ["lightlathe"]
