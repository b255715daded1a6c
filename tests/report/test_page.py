"""What a page shows, against brute force and closed forms; that it fits, and that no name or text breaks it."""

import dataclasses
import json
import math
import re
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import torch

from lightlathe import pipeline
from lightlathe.cli.main import main
from lightlathe.errors import ResultError
from lightlathe.job import parse_job
from lightlathe.quantities import Grid, Part, Prediction
from lightlathe.report.page.build import page_of
from lightlathe.report.page.by_slice import extremes
from lightlathe.report.page.chart import values
from lightlathe.report.page.document import in_script, write_page
from lightlathe.report.page.dose_volume import Doses, curves, other_exposures
from lightlathe.report.page.settings import differing, settings_section, unit_of
from lightlathe.report.page.surfaces import surfaces
from lightlathe.report.page.volumes import volumes
from lightlathe.report.page.worst import places
from lightlathe.resins import Threshold
from lightlathe.result import read_result


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """A quick design of a disc with an insert's hole left out: some voxels wrong."""
    from odd_jobs import disc

    text = disc(("iterations = 12", "iterations = 3"))
    return pipeline.design(parse_job(text, name="disc", folder=tmp_path_factory.mktemp("job")))


def test_no_surface_where_nothing_is_solid(record):
    nothing = dataclasses.replace(record.prediction, dose=torch.zeros_like(record.prediction.dose))
    found = surfaces(dataclasses.replace(record, prediction=nothing), 42.0)
    assert "part" in found
    assert "print" not in found
    page_of(dataclasses.replace(record, prediction=nothing))


def test_dose_volume_curves_by_brute_force(record):
    dose, judged = record.prediction.dose.numpy(), record.part.judged.numpy()
    for (name, x, y), value in zip(curves(Doses.of(record)), (2, 1), strict=True):
        mine = dose[judged == value]
        assert name == {2: "part", 1: "surroundings"}[value]
        assert len(x) > 100
        for at, share in zip(x[::20], y[::20], strict=True):
            assert share == pytest.approx(100 * (mine >= np.float32(at)).mean(), abs=1e-9)


def test_other_exposures_by_brute_force(record):
    """At the planned exposure they give the record's own overlap; at others, doses scaled with the time."""
    resin = Threshold(0.1, 40.0, 44.0)
    found = other_exposures(record, resin, Doses.of(record))
    planned, dose, judged = record.patterns.exposure_s, record.prediction.dose.numpy(), record.part.judged.numpy()
    here = int(np.flatnonzero(found["seconds"] == planned)[0])
    assert found["overlap"][here] == pytest.approx(record.quality["iou"], abs=2e-3)
    for n in (0, 100, here, 300, len(found["seconds"]) - 1):
        scaled = dose * (found["seconds"][n] / planned)
        near = np.abs(scaled / 42 - 1) < 6e-4  # doses are counted to 0.05 %
        solid = scaled > 42
        right, extra = (solid & (judged == 2)).sum(), (solid & (judged == 1)).sum()
        loose = near[judged > 0].sum()
        assert abs(found["overlap"][n] * ((judged == 2).sum() + extra) - right) <= 2 * loose + 1e-6
        wrong = ((judged == 2) & ~solid).sum() + extra
        assert abs(found["wrong_mm3"][n] / record.part.grid.voxel_mm**3 - wrong) <= loose + 1e-6


def test_extremes_of_slices_by_brute_force(record):
    dose, judged = record.prediction.dose.numpy(), record.part.judged.numpy()
    least, most = extremes(record.prediction.dose, record.part.judged)
    for k in range(dose.shape[2]):
        for found, value, end in ((least[k], 2, np.min), (most[k], 1, np.max)):
            mine = dose[:, :, k][judged[:, :, k] == value]
            np.testing.assert_equal(found, end(mine) if len(mine) else math.nan)


def test_worst_places_by_brute_force(record):
    dose, judged = record.prediction.dose.numpy(), record.part.judged.numpy()
    found = places(record, 42.0)
    weakest, strongest = dose[judged == 2].min(), dose[judged == 1].max()
    assert {round(p.dose_mj_cm3, 4) for p in found[:2]} == {round(float(weakest), 4), round(float(strongest), 4)}
    first = strongest if strongest / 42 > 42 / weakest else weakest
    assert found[0].dose_mj_cm3 == pytest.approx(float(first))
    for place in found[:2]:
        index = tuple(round(at / 0.25 + (n - 1) / 2) for at, n in zip(place.at_mm, dose.shape, strict=True))
        assert dose[index] == place.dose_mj_cm3
    fine, solid = record.fine.judged, record.prediction.fine_solid
    wrong = ((fine == 2) & ~solid | (fine == 1) & solid).sum((0, 1))
    assert str(int(wrong.max())) in found[2].words


def test_nothing_in_the_data_ends_a_script():
    said = in_script({"</script>": "<!-- </SCRIPT> é"})
    assert "<" not in said
    assert json.loads(said) == {"</script>": "<!-- </SCRIPT> é"}
    with pytest.raises(ValueError, match="Out of range"):
        in_script({"x": math.nan})
    assert values([1.23456789, math.nan, math.inf]) == [1.23457, None, None]


def test_notes_are_on_the_page():
    section = settings_section({"notes": {"operator": "A <b>", "text": "one\ntwo"}, "resin": {"kind": "x"}}, "")
    assert "A &lt;b&gt;" in section.body
    assert "one\ntwo" in section.body
    assert section.body.index("operator") < section.body.index("kind")


def test_settings_that_differ():
    one = {"a": {"x_mm": 1.0, "y": [1, 2]}, "part": [{"role": "part"}]}
    two = {"a": {"x_mm": 2.0, "y": [1, 2]}, "part": [{"role": "part"}, {"role": "insert"}]}
    assert differing([one, two]) == [("a.x_mm", [1.0, 2.0]), ("part[1].role", ["-", "insert"])]
    assert unit_of("a.x_mm") == "mm"
    assert unit_of("window_low_mj_cm3_fine") == "mJ/cm³"
    assert unit_of("design.loss.kind") == ""


def test_a_page_replaces_only_a_page(tmp_path, record):
    path = tmp_path / "p.html"
    path.write_text("<!doctype html><title>my own</title>")
    with pytest.raises(ResultError, match="an HTML page, not a report"):
        pipeline.report([record], [None], path)
    assert "my own" in path.read_text()
    mine = pipeline.report([record], [None], tmp_path / "q.html")
    assert write_page(mine.read_text(), mine) == mine
    for name in ("p.htm.txt", "none/p.html"):
        with pytest.raises(ResultError, match="page"):
            pipeline.report([record], [None], tmp_path / name)


@pytest.mark.parametrize(("doses", "said"), [((35.5, 37.0), "10 % (assumed; "), ((20.0, 52.0), "44 % (as far as the ")])
def test_a_threshold_of_unstated_uncertainty_is_one_sentence(record, doses, said):
    """44 = 100 (52 - 20) / (52 + 20): half the distance of the two doses, of their middle."""
    from lightlathe.report.exposure import exposure_lines

    resin = record.settings["resin"] | {"liquid_below_mj_cm3": doses[0], "solid_above_mj_cm3": doses[1]}
    resin.pop("doses_known_to_percent", None)
    lines = exposure_lines(dataclasses.replace(record, settings=record.settings | {"resin": resin}))
    assert not any(line.endswith((":", ".")) for line in lines)
    (one,) = (line for line in lines if "doses_known_to_percent" in line)
    assert f"for a threshold known to {said}" in one
    assert "; doses_known_to_percent in [resin] is not given)" in one


@pytest.mark.parametrize(
    ("modules", "said"),
    [
        (["plotly.offline"], "Plotly, which is not"),
        (["skimage.measure"], "scikit-image, which is not"),
        (["plotly.offline", "skimage.measure"], "Plotly and scikit-image, which are not"),
    ],
)
def test_missing_libraries_are_said_at_once_before_any_work(tmp_path, record, monkeypatch, modules, said):
    for module in modules:
        monkeypatch.setitem(sys.modules, module, None)
    monkeypatch.setattr("lightlathe.report.page.build.page_of", None)
    with pytest.raises(ResultError, match=rf"{said} installed. pip install 'plotly>=6' 'scikit-image>=0.22' \("):
        pipeline.report([record], [None], tmp_path / "p.html")


def test_the_commands(tmp_path, monkeypatch, capsys, small_job):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "disc.toml").write_text(small_job(iterations=3))
    code = main(["design", "disc.toml"])
    designed = capsys.readouterr().out
    assert main(["design", "disc.toml", "--json", "--force"]) == code
    figures = json.loads(capsys.readouterr().out)
    assert main(["show", "disc.lathe.h5"]) == code
    again = capsys.readouterr().out
    assert again == designed
    assert figures["quality"] == read_result("disc.lathe.h5").quality
    assert main(["show", "disc.lathe.h5", "--json"]) == code
    said = json.loads(capsys.readouterr().out)
    assert said["quality"]["iou"] == read_result("disc.lathe.h5").quality["iou"]
    assert said["exit_code"] == code
    assert main(["report", "disc.lathe.h5"]) == 0
    assert capsys.readouterr().out == "report: disc.html\n"
    assert (tmp_path / "disc.html").stat().st_size < 15e6
    assert main(["report", "disc.lathe.h5", "disc.lathe.h5", "-o", "two.html"]) == 0
    assert main(["report", *["disc.lathe.h5"] * 7, "-o", "seven.html"]) == 1
    assert "two to 6" in capsys.readouterr().err
    assert main(["report", "disc.toml"]) == 1
    assert "lightlathe design disc.toml" in capsys.readouterr().err


def made_up(record, n, folder):
    """A record of n^3 voxels whose dose is smooth with noise, a sphere as its part. Its volumes lie in files, so that
    they may be larger than the memory."""
    grid = Grid((n, n, n), 10 / n)
    at = grid.centres_mm(0).float()

    def volume(name, dtype):
        size = math.prod(grid.shape)
        return torch.from_file(str(folder / name), shared=True, size=size, dtype=dtype).reshape(grid.shape)

    coverage, dose = volume("coverage", torch.float32), volume("dose", torch.float32)
    judged, solid = volume("judged", torch.uint8), volume("solid", torch.bool)
    torch.manual_seed(0)
    for i in range(n):
        radius = (at[i] ** 2 + at[:, None] ** 2 + at[None, :] ** 2).sqrt()
        coverage[i] = ((4 - radius) * n / 10 + 0.5).clamp(0, 1)
        dose[i] = 42 + 6 * (4 - radius).clamp(-2, 2) + torch.randn(n, n)
        judged[i], solid[i] = 1 + (coverage[i] >= 0.5), dose[i] > 42
    part, print_ = Part(grid, coverage, judged), Prediction(dose, solid, record.quality)
    return dataclasses.replace(record, part=part, prediction=print_, fine=None)


def test_a_large_page_fits_and_says_what_it_leaves_out(record, tmp_path):
    """160^3 voxels with noise, which packs badly; up to 1024^3 in the slow test below."""
    page = page_of(made_up(record, 160, tmp_path))
    assert len(page) < 15e6
    assert "are shown as one: by their mean, and as an error if any of them is wrong" in page


def own_bytes():
    """Memory of this process that no file is mapped into (Linux)."""
    status = Path("/proc/self/status").read_text()
    return 1024 * int(re.search(r"RssAnon:\s+(\d+) kB", status)[1])


@pytest.mark.slow
@pytest.mark.parametrize("n", [512, 1024])
def test_a_page_of_a_huge_job_fits(record, n, tmp_path):
    """Under 15 MB and, beside the volumes, half a byte a voxel or 1 GB of memory; 11 GB of disk for 1024^3. With
    noise in doses and levels, which packs worst. `pytest -s` shows size, time and memory."""
    huge = made_up(record, n, tmp_path)
    levels = torch.from_file(str(tmp_path / "levels"), shared=True, size=720 * n * n, dtype=torch.uint8)
    levels = levels.reshape(720, n, n)
    for image in levels:
        image.random_(0, 256)
    patterns = dataclasses.replace(
        record.patterns,
        levels=levels, angle_rad=torch.arange(720).double() * math.tau / 720, lit=None, full_scale=255,
    )  # fmt: skip
    huge = dataclasses.replace(huge, patterns=patterns)
    before, most, done = own_bytes(), [0], threading.Event()

    def watch():
        while not done.wait(0.2):
            most[0] = max(most[0], own_bytes())

    watcher = threading.Thread(target=watch)
    watcher.start()
    began = time.process_time()
    try:
        page = page_of(huge)
    finally:
        done.set()
        watcher.join()
    took, beside = time.process_time() - began, most[0] - before
    print(f"{n}^3: {len(page.encode()) / 1e6:.2f} MB, {took:.0f} s of the processor, {beside / 1e9:.2f} GB")
    assert len(page.encode()) < 15e6
    assert beside < max(0.5 * n**3, 1e9)
    assert volumes(huge, 60.0)["own"]["step"] > 1
