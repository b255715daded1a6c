"""No command writes over a file that is not of the kind it writes, whatever the options."""

import json

import h5py
import pytest

from lightlathe import bench
from lightlathe.bench import measure
from lightlathe.cli.main import main
from lightlathe.errors import ResultError
from lightlathe.support.files import BENCH, PICTURE, RESULT, STATE, STUDY, kind_of, require_replaceable, what_is

STUDY_FILE = """
[study]
jobs = ["disc.toml"]
repeats = 1
bound_iterations = 0
[study.set]
"design.iterations" = 2
[study.vary]
"design.loss" = ["gap_hinge"]
"""
TABLE = "exposure [mJ/cm2],depth [um]\n73.8906,300\n147.7811,403.972\n295.5622,507.944\n"
TINY_BENCH = {"format": BENCH, "format_version": 1, "created_utc": "2026-01-01", "program_version": "0", "rows": []}


@pytest.fixture
def folder(small_job, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "disc.toml").write_text(small_job(iterations=2) + "bound_iterations = 0\n")
    (tmp_path / "losses.toml").write_text(STUDY_FILE)
    (tmp_path / "films.csv").write_text(TABLE)
    (tmp_path / "empty.h5").touch()
    (tmp_path / "link.h5").symlink_to("nowhere")
    (tmp_path / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    (tmp_path / "notes.json").write_text('{"format": "notes"}')
    (tmp_path / "drawing.svg").write_text('<?xml version="1.0"?>\n<svg><title>Lightlathe</title></svg>\n')
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file.attrs["format"] = "something-else"
    for kind in (RESULT, STATE, STUDY):
        with h5py.File(tmp_path / f"{kind}.h5", "w") as file:
            file.attrs["format"] = kind
    return tmp_path


@pytest.fixture
def untouched(folder):
    """Nothing in the folder changes while a test runs, and nothing is added."""
    before = {path: path.is_file() and path.read_bytes() for path in folder.iterdir()}
    yield
    assert {path: path.is_file() and path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.usefixtures("untouched")
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["design", "disc.toml", "-o", "disc.toml", "--force"], "is a job or study file, not a result"),
        (["design", "disc.toml", "-o", "films.csv", "--force"], "is a table of measurements, not a result"),
        (["design", "disc.toml", "-o", "other.h5", "--force"], "is an HDF5 file that Lightlathe did not write"),
        (["design", "disc.toml", "-o", "empty.h5", "--force"], "is an empty file"),
        (["design", "disc.toml", "-o", "link.h5"], "is a link to nothing"),
        (["design", "disc.toml", "-o", "/dev/null", "--force"], "is a device or a pipe"),
        (["design", "disc.toml", "-o", f"{STUDY}.h5", "--force"], "is a study, not a result"),
        (["design", "disc.toml", "-o", f"{STATE}.h5", "--force"], "is the state of an unfinished design, not a result"),
        (["compare", "losses.toml", "-o", "disc.toml", "--resume"], "is a job or study file, not a study"),
        (["compare", "losses.toml", "-o", f"{RESULT}.h5", "--resume"], "is a result, not a study"),
        (["resin", "films.csv", "--picture", "photo.png"], "is a PNG image, not a picture that Lightlathe drew"),
        (["resin", "films.csv", "--picture", "drawing.svg"], "is an SVG image, not a picture that Lightlathe drew"),
        (["resin", "films.csv", "--picture", "films.csv"], "ends in .png, .svg or .pdf"),
        (["bench", "-o", "disc.toml"], "is a job or study file, not a bench file"),
        (["bench", "-o", "notes.json"], "is a JSON file, not a bench file"),
        (["bench", "-o", "nowhere/b.json"], "Does the folder exist"),
    ],
)
def test_a_file_of_another_kind_is_never_replaced(capsys, monkeypatch, arguments, words):
    for owner, name in ((bench, "run"), (measure, "ceilings")):
        monkeypatch.setattr(owner, name, lambda *_, **__: pytest.fail("work began"))
    assert main(arguments) == 1
    said = capsys.readouterr()
    assert words in said.err
    assert "Traceback" not in said.err
    assert "design:" not in said.err  # no work was begun


def test_a_result_named_in_the_job_is_guarded_like_any_other(folder, capsys):
    text = (folder / "disc.toml").read_text() + '[output]\nresult = "films.csv"\n'
    (folder / "disc.toml").write_text(text)
    assert main(["design", "disc.toml", "--force"]) == 1
    assert "films.csv: is a table of measurements" in capsys.readouterr().err
    assert (folder / "films.csv").read_text() == TABLE


def test_a_state_takes_no_other_files_place(folder, capsys):
    (folder / "disc.lathe.partial.h5").write_text("my notes")
    assert main(["design", "disc.toml"]) == 1
    assert "is a text file, not the state of an unfinished design" in capsys.readouterr().err
    assert (folder / "disc.lathe.partial.h5").read_text() == "my notes"


def test_the_own_kind_is_replaced(folder, capsys):
    """Results with --force, pictures and plots of our own, a bench by a bench; the frames' folder must be empty."""
    assert main(["design", "disc.toml"]) in (0, 3, 4)
    assert main(["design", "disc.toml", "--force"]) in (0, 3, 4)
    for ending in ("png", "svg", "pdf"):
        for _ in range(2):
            assert main(["export", "disc.lathe.h5", "--picture", f"p.{ending}"]) == 0
            assert main(["resin", "films.csv", "--picture", f"r.{ending}"]) == 0
        assert kind_of(folder / f"p.{ending}") == kind_of(folder / f"r.{ending}") == PICTURE
    assert main(["export", "disc.lathe.h5", "--picture", "photo.png"]) == 1
    assert main(["export", "disc.lathe.h5", "--frames", "frames"]) == 0
    assert main(["export", "disc.lathe.h5", "--frames", "frames"]) == 1
    capsys.readouterr()
    assert main(["compare", "losses.toml", "--plots", "plots"]) == 0
    assert main(["compare", "losses.study.h5", "--plots", "plots"]) == 0
    (folder / "plots" / "losses-disc.svg").write_text("<svg>mine</svg>")
    assert main(["compare", "losses.study.h5", "--plots", "plots"]) == 1
    (folder / "losses.study.h5").unlink()
    assert main(["compare", "losses.toml", "--plots", "plots"]) == 1
    assert not (folder / "losses.study.h5").exists()  # known before the designs
    assert (folder / "plots" / "losses-disc.svg").read_text() == "<svg>mine</svg>"


def test_a_bench_replaces_a_bench_but_not_the_one_it_is_compared_with(folder, capsys, monkeypatch):
    told = []
    monkeypatch.setattr(bench, "run", lambda **_: TINY_BENCH)
    monkeypatch.setattr(bench, "table", lambda result: "table")
    monkeypatch.setattr(bench, "against", lambda result, other: told.append(other["created_utc"]) or "beside")
    for name in ("a.json", "b.json", "c.json"):
        (folder / name).write_text(json.dumps(TINY_BENCH | {"created_utc": name}))
    assert main(["bench", "--device", "cpu", "-o", "a.json", "--against", "b.json", "--against", "c.json"]) == 0
    assert told == ["b.json", "c.json"]
    assert json.loads((folder / "a.json").read_text()) == TINY_BENCH
    assert main(["bench", "--device", "cpu", "-o", "b.json", "--against", "b.json"]) == 1
    assert "would replace the bench that it is compared with" in capsys.readouterr().err


def test_any_python_call_is_guarded_too(folder):
    """`Record.save` and every other writer go through the same check."""
    with pytest.raises(ResultError, match=r"disc\.toml: is a job or study file, not a result; it is not replaced"):
        require_replaceable(folder / "disc.toml", RESULT)
    assert what_is(folder) == "a folder"
    require_replaceable(folder / f"{RESULT}.h5", RESULT)
    require_replaceable(folder / "new.h5", RESULT)
