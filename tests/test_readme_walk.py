"""The README's walk from `init` to what came out of a print is one: each command finds what those before it made."""

import re
import shlex
from pathlib import Path

from lightlathe.cli.main import main

README = (Path(__file__).resolve().parents[1] / "README.md").read_text()
COARSE = (  # the example in a few seconds: pixels and voxels three times as wide, images that stand still
    (r"pixel_mm = .*", "pixel_mm = 0.24"), (r"voxel_mm = .*", "voxel_mm = 0.24"), (r"columns = .*", "columns = 42"),
    (r"rows = .*", "rows = 35"), (r"angles = .*", "angles = 90"), (r"finer = .*", "finer = 1"),
    (r"motion = .*", 'motion = "stepped"'), (r"iterations = .*", "iterations = 3\nbound_iterations = 0"),
)  # fmt: skip
EXTRAS = ("report", "--video", "--picture")  # need libraries that not every user has; their tests are elsewhere


def test_each_command_finds_what_those_before_it_made(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    walk = README[README.index("## First print in ten minutes") : README.index("## For a maker")]
    lines = [line for line in walk.splitlines() if line.startswith(("lightlathe ", "cd "))]
    assert len(lines) >= 9
    for line in lines:
        words = shlex.split(line)[1:]
        if line.startswith("cd "):
            monkeypatch.chdir(tmp_path / words[0])
            continue
        if any(word in EXTRAS for word in words):
            assert "my_print.lathe.h5" in words
            continue
        if words[0] == "design":
            words.append("--anyway")
        capsys.readouterr()
        assert main(words) in (0, 3, 4), line  # so coarse, it hardly prints
        if words[0] == "init":
            job = Path(words[1]) / "my_print.toml"
            text = job.read_text()
            for now, coarse in COARSE:
                text, hits = re.subn(f"^{now}$", coarse, text, flags=re.M)
                assert hits == 1, now
            job.write_text(text)
    assert {path.name for path in Path().iterdir()} == {
        "my_print.toml", "check_valve.stl", "my_print.lathe.h5", "my_print.lathe.outcomes.json", "frames",
    }  # fmt: skip
    said = capsys.readouterr().out
    assert "39 s: holes closed  (new)" in said
    names = set(re.findall(r"\b(\w+)\.(?:toml|lathe\.h5)", walk))
    assert names == {"my_print"}
