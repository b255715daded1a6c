"""Memory: what is available, what a design needs of another machine, and what does not fit told apart from what cannot
work."""

import json

import psutil
import pytest
import torch
import trimesh

from lightlathe.bench import machine_from
from lightlathe.cli.main import main
from lightlathe.errors import JobError, ResultError
from lightlathe.feasibility import Case, Extent, Machine, case_of, verdict_on
from lightlathe.flow.solids import load_solids
from lightlathe.job import parse_job
from lightlathe.job.light import Light
from lightlathe.job.model import GridTable, Turn
from lightlathe.job.vial import Vial
from lightlathe.resins import Threshold
from lightlathe.support import memory
from lightlathe.support.memory import free_bytes, within_limit

CPU = torch.device("cpu")
BENCH = {
    "format": "lightlathe-bench",
    "machine": {"device": "cuda:0", "card": "a card", "processor": "p", "memory_free_bytes": 80e9},
    "rows": [
        {"voxels": 256, "angles": 360, "precision": "half", "iteration_s": 0.004},
        {"voxels": 512, "angles": 360, "precision": "half", "iteration_s": 0.02},
        {"voxels": 512, "angles": 360, "precision": "single", "iteration_s": 0.5},
        {"voxels": 1024, "angles": 720, "precision": "half", "forward_s": 0.04},
    ],
}


@pytest.fixture
def job(small_job, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "disc.toml").write_text(small_job())
    return "disc.toml"


@pytest.fixture
def bench_file(tmp_path):
    def write(change=None):
        path = tmp_path / "other.json"
        path.write_text(json.dumps(change(json.loads(json.dumps(BENCH))) if change else BENCH))
        return path

    return write


def test_files_that_the_system_keeps_count_as_available(monkeypatch):
    """16 GB of which 8 are free and 5 hold files: psutil calls 13 GB available."""
    seen = psutil.virtual_memory()._replace(total=16 * 2**30, available=13 * 2**30, free=8 * 2**30)
    monkeypatch.setattr(psutil, "virtual_memory", lambda: seen)
    monkeypatch.setattr(memory, "GROUP", memory.Path("/no/such/folder"))
    assert free_bytes(CPU) == 13 * 2**30


def test_the_limit_of_a_container_counts(tmp_path, monkeypatch):
    """A group of 1000 bytes with 700 in use, 200 of them files that can be dropped, leaves 500."""
    for name, text in (("max", "1000\n"), ("current", "700\n"), ("stat", "anon 500\ninactive_file 200\n")):
        (tmp_path / f"memory.{name}").write_text(text)
    assert within_limit(tmp_path) == 500
    monkeypatch.setattr(memory, "GROUP", tmp_path)
    assert free_bytes(CPU) == 500
    (tmp_path / "memory.max").write_text("max\n")
    assert within_limit(tmp_path) == float("inf")


def test_what_does_not_fit_is_not_what_cannot_work(job, capsys, tmp_path):
    """Exit codes 5 and 4, each with its own word, in `check` and in `design`; 0.9 GB for 0.4 would do."""
    text = (
        (tmp_path / job)
        .read_text()
        .replace("voxel_mm = 0.25", "voxel_mm = 0.003")
        .replace("[grid]", "[grid]\nfiner = 1")
    )
    (tmp_path / "large.toml").write_text(text)
    assert main(["check", "large.toml", "--memory", "1", "--device", "cpu"]) == 5
    said = capsys.readouterr().out
    assert said.startswith("verdict: does not fit this machine\n  too big effort: ")
    assert "1 GB are available on a machine with 1 GB" in said
    assert "cannot work" not in said
    assert main(["check", job, "--memory", "1", "--device", "cpu", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["exit_code"] == 0
    (tmp_path / "dark.toml").write_text(text.replace("absorption_per_mm = 0.1", "absorption_per_mm = 10"))
    assert main(["check", "dark.toml", "--memory", "1", "--device", "cpu"]) == 4  # no machine would help
    assert capsys.readouterr().out.startswith("verdict: cannot work\n")


def test_design_stops_with_the_same_word_and_code(job, capsys, monkeypatch, tmp_path):
    monkeypatch.setattr("lightlathe.feasibility.quick_check.free_bytes", lambda device: 1e6)
    assert main(["design", job]) == 5
    assert "the check says: does not fit this machine; nothing was designed" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == [job]
    assert main(["design", job, "--anyway"]) == 3  # anyway: a quarter of the disc stays liquid on the finer grid


def test_a_card_is_judged_without_one(job, small_job, tmp_path, bench_file, capsys):
    """2 x 512^3 x 360 updates in 0.02 s are 4.8e12 a second; sizes in halves count."""
    machine = machine_from(bench_file())
    assert machine == Machine("cuda", 80e9, machine.speeds, "the machine of other.json (a card)")
    assert machine.speeds[-1] == (2 * 512**3 * 360, 2 * 512**3 * 360 / 0.02)
    asked = parse_job(small_job() + 'device = "cuda"\n', name="t", folder=tmp_path)
    case = case_of(asked, load_solids(asked)[0], machine)
    assert (case.machine, case.machine.program_bytes) == (machine, 0.0)
    assert main(["check", job, "--machine", "other.json"]) == 0
    assert main(["check", job, "--memory", "24", "--device", "cuda"]) == 0
    assert main(["check", job, "--memory", "0.0001", "--device", "cuda"]) == 5
    assert "100 kB are available on a card with 0.0001 GB" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--device", "cuda"], "--device goes with --memory"),
        (["--memory", "8"], "--memory goes with --device"),
        (["--memory", "-3", "--device", "cpu"], "memory is -3 GB; expected a size above 0"),
        (["--memory", "nan", "--device", "cpu"], "memory is nan GB"),
        (["--machine", "other.json", "--device", "cpu"], "names its own device"),
        (["--machine", "none.json"], "not a readable bench file"),
        (["--machine", "disc.toml"], "not a readable bench file"),
    ],
)
def test_mistakes_are_named(job, bench_file, arguments, words, capsys):
    bench_file()
    assert main(["check", job, *arguments]) == 1
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error


@pytest.mark.parametrize(
    "spoil",
    [
        lambda found: {**found, "rows": None},
        lambda found: {**found, "rows": [{"iteration_s": 0.1}]},
        lambda found: {**found, "machine": {"device": "cuda"}},
        lambda found: {**found, "machine": []},
    ],
)
def test_a_bench_file_that_lacks_something_is_named(bench_file, spoil):
    with pytest.raises(ResultError, match="Measure that machine again"):
        machine_from(bench_file(spoil))
    with pytest.raises(JobError, match="expected one of cpu, cuda"):
        machine_from(bench_file(lambda found: {**found, "machine": {**found["machine"], "device": "abacus"}}))


def test_our_own_bench_is_read(tmp_path):
    """What `bench` writes is what `check --machine` reads, on one small size."""
    from lightlathe.bench import measure
    from lightlathe.bench.workloads import Workload as Size

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "that_fit", lambda free: ([Size("tiny", 24, 30)], [Size("tiny", 24, 30)]))
        patch.setattr(
            measure, "ceilings", lambda device: {"copy_gb_s": 1.0, "matrix_gmac_s": 1.0, "scalar_gmac_s": 1.0}
        )
        patch.setattr(measure, "WORKLOADS", (Size("tiny", 24, 30), Size("small", 25, 31)))
        result = measure.run(quick=True)
    (tmp_path / "b.json").write_text(json.dumps(result))
    machine = machine_from(tmp_path / "b.json")
    assert machine.device == "cpu"
    assert machine.memory_free_bytes == result["machine"]["memory_free_bytes"]
    updates = 2 * 24**3 * 30
    assert machine.speeds == ((updates, pytest.approx(updates / result["rows"][0]["iteration_s"])),)


def test_a_part_as_tall_as_its_one_row_is_lit(small_job, tmp_path, monkeypatch, capsys):
    """A mesh 0.2 mm tall, which float32 makes 0.2000000030, and one row of 0.2 mm."""
    trimesh.creation.box((3, 2, 0.2)).export(tmp_path / "plate.stl")
    text = small_job().replace(
        'shape = { kind = "cylinder", radius_mm = 2.0, height_mm = 1.0 }', 'mesh = "plate.stl"\nunit = "mm"'
    )
    text = text.replace("rows = 20", "rows = 1").replace("= 0.25", "= 0.2").replace("columns = 40", "columns = 50")
    (tmp_path / "plate.toml").write_text(text)
    monkeypatch.chdir(tmp_path)
    assert main(["check", "plate.toml"]) in (0, 3)
    assert "never sees light" not in capsys.readouterr().out


def test_lengths_that_are_equal_on_paper_fit():
    """0.1 * 3 rows of a part 0.3 mm tall, and 0.6 mm of resin for 0.2 * 3 mm: the last bit decides nothing."""
    case = Case(
        Vial(inner_diameter_mm=16.0, resin_height_mm=0.6),
        Threshold(absorption_per_mm=0.08, liquid_below_mj_cm3=34.0, solid_above_mj_cm3=38.0),
        Light(pixel_mm=0.1, columns=42, rows=6, irradiance_mw_cm2=20.0),
        Turn(angles=240, seconds_per_turn=12.0),
        GridTable(voxel_mm=0.1),
        Extent(radius_mm=3 * 0.7, height_mm=0.2 * 3),
    )
    assert case.part.height_mm > case.vial.resin_height_mm  # by a bit
    found = verdict_on(case)
    assert {r.topic: r.level for r in found.reasons if r.topic in ("field", "room")} == {
        "field": "will work",
        "room": "will work",
    }
    off = case.having(part={"height_mm": 0.601})
    assert {r.level for r in verdict_on(off).reasons if r.topic in ("field", "room")} == {"cannot work"}
