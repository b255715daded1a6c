"""Every command line in a block of the README and of `lightlathe help` runs, on a job that takes a second."""

import json
import re
import shlex
import shutil

import pytest
from PIL import Image

from lightlathe import bench
from lightlathe.cli.main import main
from odd_jobs import disc
from test_readme import README, TEXTS, commands_in

TUBE = 'kind = "tube", outer_radius_mm = 2.5, inner_radius_mm = 1.0, height_mm'
JOB = disc(
    ("iterations = 12", "iterations = 5"), ("rows = 20", "rows = 30"),
    ('kind = "cylinder", radius_mm = 2.0, height_mm = 1.0', f"{TUBE} = 3.0"),
)  # fmt: skip
STUDY = """[study]
jobs = ["quickstart.toml"]
repeats = 1
bound_iterations = 0
vary = { "design.loss" = ["gap_hinge", "logistic"] }
"""
MEASURED = {
    "format": "lightlathe-bench", "program_version": "0", "created_utc": "2026-11-30", "left_out": [],
    "rows": [{"case": "tiny", "voxels": 24, "angles": 30, "precision": "single", "kernel": "cpu", "iteration_s": 0.01}],
    "ceilings": {"copy_gb_s": 10.0, "matrix_gmac_s": 100.0, "scalar_gmac_s": 100.0},
    "design": {"case": "tiny", "part": "tube", "seconds": 1.0},
    "machine": {
        "device": "cpu", "processor": "made up", "threads": 2, "memory_bytes": 2**34, "memory_free_bytes": 2**33,
        "python": "3", "torch": "2", "system": "Linux",
    },
}  # fmt: skip


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """A folder with the files that the texts name, and the result of their first command."""
    folder = tmp_path_factory.mktemp("shown")
    (folder / "configs").mkdir()
    for name in ("quickstart", "gyroid"):
        (folder / "configs" / f"{name}.toml").write_text(JOB)
    (folder / "configs" / "study_losses.toml").write_text(STUDY)
    (folder / "there.json").write_text(json.dumps(MEASURED))
    Image.new("RGB", (40, 30)).save(folder / "vial3.jpg")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert main(["design", "configs/quickstart.toml"]) in (0, 3)
    shutil.copy(folder / "configs" / "quickstart.toml", folder / "my_print.toml")
    shutil.copy(folder / "quickstart.lathe.h5", folder / "my_print.lathe.h5")
    return folder


@pytest.fixture
def here(begun, tmp_path, monkeypatch):
    """A copy of it, where a bench takes no time."""
    shutil.copytree(begun, tmp_path / "here")
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.setattr(bench, "run", lambda **_: MEASURED)
    monkeypatch.setattr(bench, "table", lambda _: "")
    monkeypatch.setattr("lightlathe.feasibility.measured.keep", lambda *_: True)
    return tmp_path / "here"


def test_all_commands_of_the_readme_are_seen():
    """Those of its last block too: a fence that is read wrongly would hide them."""
    shown = "\n".join(commands_in(README))
    for words in ("lightlathe design", "--surface my_print.ply", "compare losses.study", "check configs/gyroid.toml"):
        assert words in shown


@pytest.mark.parametrize("name", [name for name, text in TEXTS.items() if commands_in(text)])
def test_each_command_runs(name, here, capsys):
    """In their order; a `pip install` before one is left out, and a design is made once, before."""
    for module in ("plotly", "av", "matplotlib", "skimage"):
        pytest.importorskip(module)
    for line in commands_in(TEXTS[name]):
        command = shlex.split(line.rpartition("&& ")[2].replace("RESULT", "quickstart.lathe.h5"))
        if command[1] != "design":
            code = main(command[1:])
            assert code in (0, 3), f"{line}: {code}, {capsys.readouterr().err}"
    if name == "README":
        for path in ("my_print.html", "frames/manifest.json", "my_print.mkv", "my_print.png", "my_print.ply"):
            assert (here / path).stat().st_size > 0
        assert re.search(r"^losses\.study\.h5$", "\n".join(p.name for p in here.iterdir()), flags=re.M)
