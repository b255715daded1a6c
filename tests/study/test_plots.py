"""Pictures of how a study converged: valid PNG and SVG, with the curves, names, axes and units they should hold."""

import math
import re
import sys
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.study.plots import draw_convergence, draw_study
from lightlathe.study.ranking import label
from lightlathe.study.runs import Run, Study

SVG = "{http://www.w3.org/2000/svg}"


def a_run(variant, repeat=0, job="disc", bound=0.4, steps=8, amiss=0.3):
    wrong = [1000 * amiss / (1 + n) ** 2 if n < steps - 2 else 0.0 for n in range(steps)]
    log = {
        "iteration": [float(n) for n in range(steps)],
        "seconds": [0.1 * (n + 1) for n in range(steps)],
        "best_wrong": wrong,
        "best_window": [amiss - 0.8 + 0.1 * n + 0.01 * repeat for n in range(steps)],
    }
    return Run(job, variant, repeat, {}, {"window_proven_at_most": bound}, log)


VARIANTS = [{"design.loss": loss, "design.solver": solver} for loss in ("one", "two") for solver in ("slow", "quick")]


def texts(path):
    return [t.strip() for t in ElementTree.parse(path).getroot().itertext() if t.strip()]


def test_a_picture_of_each_job_as_png_and_svg(tmp_path):
    runs = tuple(
        a_run(variant, repeat, job, amiss=0.1 + 0.1 * number)
        for job in ("disc", "ring")
        for number, variant in enumerate(VARIANTS)
        for repeat in (0, 1)
    )
    paths = draw_study(Study("losses", "{}", runs), tmp_path / "new" / "plots", label)
    assert [p.name for p in paths] == ["losses-disc.png", "losses-disc.svg", "losses-ring.png", "losses-ring.svg"]
    with Image.open(paths[0]) as image:
        image.verify()
    with Image.open(paths[0]) as image:
        assert image.format == "PNG"
        assert min(image.size) > 800
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3).astype(int)
    for blue_or_orange in ((31, 119, 180), (255, 127, 14)):  # first colours of matplotlib's default cycle, tab10
        near = abs(pixels - blue_or_orange).max(1) < 40  # lines are smoothed at their edges
        assert near.sum() > 1000  # curves across four panels, not specks
    assert (pixels == 255).all(1).mean() > 0.5
    said = texts(paths[1])
    for words in ("disc", "wrong voxels", "relative process window", "seconds", "no patterns reach more (proven)",
                  "one, slow", "one, quick", "two, slow", "two, quick"):  # fmt: skip
        assert words in said, words
    assert sum("iterations" in words for words in said) == 1
    assert "ring" not in said


def test_curves_are_where_the_log_says(tmp_path):
    """Read back from the SVG: the window of a single run, one point for each iteration, straight against the axis."""
    path = draw_convergence([a_run(VARIANTS[0], bound=math.nan)], tmp_path / "p.svg", label)
    curves = []
    for element in ElementTree.parse(path).getroot().iter(f"{SVG}path"):
        points = re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", element.get("d", ""))
        if "stroke: #1f77b4" in element.get("style", "") and len(points) == 8:
            curves.append(np.array(points, float))
    assert len(curves) == 4  # wrong voxels and window, by iteration and by seconds
    for curve in curves:
        steps = np.diff(curve[:, 0])
        assert np.allclose(steps, steps[0], atol=1e-3)  # the log is even in iterations and in seconds; SVG has 6 digits
    rising = [c for c in curves if np.allclose(np.diff(c[:, 1]), np.diff(c[:, 1])[0], atol=1e-3)]
    assert len(rising) == 2  # the window grows by 0.1 each time; y points down in SVG
    assert all(c[-1, 1] < c[0, 1] for c in rising)
    other = [c for c in curves if not any(c is r for r in rising)]
    assert all(c[-1, 1] == c[:, 1].max() for c in other)  # none wrong is the lowest point


def test_the_bound_is_in_sight_and_only_where_it_is_one(tmp_path):
    one, two = a_run(VARIANTS[0]), a_run(VARIANTS[1], bound=0.5)
    assert "no patterns reach more (proven)" in texts(draw_convergence([one], tmp_path / "a.svg", label))
    assert "no patterns reach more (proven)" not in texts(draw_convergence([one, two], tmp_path / "b.svg", label))
    none = Run("disc", VARIANTS[0], 0, {}, {}, one.log)
    assert "no patterns reach more (proven)" not in texts(draw_convergence([none], tmp_path / "c.svg", label))


@pytest.mark.parametrize("count", [1, 11, 25])
def test_many_variants_keep_colours_apart(tmp_path, count):
    runs = [a_run({"design.loss": f"loss{n}"}, steps=5) for n in range(count)]
    root = ElementTree.parse(draw_convergence(runs, tmp_path / "p.svg", label)).getroot()
    drawn = [e.get("style", "") for e in root.iter(f"{SVG}path") if e.get("d", "").count("L") == 4]
    colours = {m[1] for style in drawn if (m := re.search(r"stroke: (#\w+)", style))} - {"#000000"}
    assert len(colours) >= count
    assert {f"loss{n}" for n in range(count)} <= set(texts(tmp_path / "p.svg"))


def test_nothing_to_draw_no_place_to_draw_no_library(tmp_path, monkeypatch):
    with pytest.raises(ResultError, match="no runs with a log"):
        draw_study(Study("s", "{}"), tmp_path, label)
    failed = Run("disc", VARIANTS[0], 0, {}, {}, {}, {"failed": "SolveError: NaN"})
    with pytest.raises(ResultError, match="no runs with a log"):
        draw_study(Study("s", "{}", (failed,)), tmp_path, label)
    study = Study("s", "{}", (a_run(VARIANTS[0]), failed))
    (tmp_path / "taken").write_text("a file, not a folder")
    with pytest.raises(ResultError, match="cannot be made a folder"):
        draw_study(study, tmp_path / "taken", label)
    assert len(draw_study(study, tmp_path, label)) == 2
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(ResultError, match="pip install 'matplotlib>="):
        draw_study(study, tmp_path, label)
