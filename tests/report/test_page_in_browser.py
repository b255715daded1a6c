"""The HTML page of a result in headless Chromium: offline, true to the file, beside another, and that of a study."""

import html
import json
import math
import re

import h5py
import numpy as np
import pytest

from lightlathe import pipeline
from lightlathe.result import read_result
from lightlathe.study.file import Run, Study
from lightlathe.study.page import write_study_page

pytest.importorskip("plotly")


def test_nothing_is_asked_for_and_nothing_fails(shown, odd):
    assert shown.page.evaluate("document.documentElement.dataset.ready") == "yes"
    assert not shown.faults
    outside = [url for url in shown.requests if not url.startswith(("data:", "blob:"))]
    assert outside == [odd[1].as_uri()]


def test_a_request_would_be_seen(shown):
    """The check above can fail."""
    shown.page.evaluate("() => { new Image().src = 'https://example.org/x.png'; }")
    shown.page.wait_for_timeout(200)
    assert shown.faults  # refused by the page's own policy before anything is sent
    shown.faults.clear()


def test_every_figure_is_that_of_the_file(shown, odd):
    with h5py.File(odd[0]) as file:
        stated = {name: float(value) for name, value in file["quality"].attrs.items()}
    found = shown.page.eval_on_selector_all(
        "data[data-figure]", "all => all.map(one => [one.dataset.figure, one.value, one.textContent])"
    )
    assert {name for name, _, _ in found} == set(stated)
    for name, value, said in found:
        np.testing.assert_equal(float(value), stated[name], err_msg=name)
        numbers = re.findall(r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?", said)
        if not numbers:
            assert said in ("none", "infinite", "far below 0"), (name, said)
            continue
        unit = 0.01 if "%" in said else 1.0
        last = 10.0 ** -len(numbers[0].partition(".")[2])
        assert abs(float(numbers[0]) * unit - stated[name]) <= 0.501 * last * unit, (name, said)


def test_the_job_is_there_word_for_word_and_does_nothing(shown, odd):
    with h5py.File(odd[0]) as file:
        text = file["job/toml"].asstr()[()]
        seal, name = file.attrs["checksums_sha256"], file.attrs["name"]
    assert "</script>" in text
    assert "</script>" in name
    assert shown.page.locator("#job pre").first.text_content() == text
    assert shown.page.locator("h1").text_content() == name
    assert seal in shown.page.locator("#provenance").text_content()
    assert not shown.faults  # an alert would be one
    assert odd[0].name in shown.page.locator("#provenance").text_content()


def unpacked(shown, path):
    """An array of the page as its own script unpacks it."""
    script = (
        f"async () => {{ const found = await unpacked(DATA.{path}); return [found.shape, Array.from(found.values)]; }}"
    )
    shape, values = shown.page.evaluate(script)
    return np.array(values).reshape(shape)


def test_volumes_are_those_of_the_file(shown, odd):
    """As read by h5py and scaled here. A grid so small is shown voxel by voxel."""
    with h5py.File(odd[0]) as file:
        coverage, dose = file["part/coverage"][()], file["prediction/dose"][()]
        solid, judged, insert = (file[f"{at}"][()] for at in ("prediction/solid", "part/judged", "part/insert"))
        fine_solid, fine_judged = file["fine/solid"][()], file["fine/judged"][()]
        wrong = {k: file["quality"].attrs[f"wrong_voxels{k}"] for k in ("", "_fine")}
    sets = shown.page.evaluate("({ ...DATA.slices.sets[0], own: DATA.slices.sets[0].own.step, finer: 0 })")
    assert sets["own"] == 1
    np.testing.assert_array_equal(unpacked(shown, "slices.sets[0].own.wanted"), coverage)
    np.testing.assert_array_equal(unpacked(shown, "slices.sets[0].own.insert"), insert)
    np.testing.assert_array_equal(unpacked(shown, "slices.sets[0].own.cured"), 255 * solid)
    bytes_ = unpacked(shown, "slices.sets[0].own.dose")
    assert np.abs(bytes_ * dose.max() / 255 - dose).max() <= 0.501 * dose.max() / 255  # half a step
    for at, key, made_solid, wanted in (("own", "", solid, judged), ("finer", "_fine", fine_solid, fine_judged)):
        error = unpacked(shown, f"slices.sets[0].{at}.error")
        np.testing.assert_array_equal(error & 1 > 0, (wanted == 2) & (made_solid == 0))
        np.testing.assert_array_equal(error & 2 > 0, (wanted == 1) & (made_solid == 1))
        assert np.count_nonzero(error & 3) == wrong[key]


def test_images_are_those_of_the_file(shown, odd):
    with h5py.File(odd[0]) as file:
        levels, angle = file["patterns/levels"][()], file["patterns/angle_rad"][()]
    data = shown.page.evaluate(
        "({ ...DATA.frames, images: DATA.frames.images.step, sinograms: DATA.frames.sinograms.step })"
    )
    (_, columns, rows), (column, row) = data["shape"], data["first"]
    lit = levels[:, column : column + columns, row : row + rows]
    assert lit.sum() == levels.sum() > 0
    np.testing.assert_array_equal(unpacked(shown, "frames.images.levels"), lit[:: data["images"]])
    np.testing.assert_array_equal(unpacked(shown, "frames.sinograms.levels"), lit[:, :, :: data["sinograms"]])
    np.testing.assert_allclose(data["angle_deg"], np.degrees(angle), atol=1e-6)


def test_slices_open_at_the_worst_place(shown, odd):
    """Found here by brute force: the dose furthest beyond the gel dose on the wrong side, or nearest to it."""
    with h5py.File(odd[0]) as file:
        dose, judged = file["prediction/dose"][()], file["part/judged"][()]
        gel, voxel_mm = file["quality"].attrs["gel_mj_cm3"], file["grid"].attrs["voxel_mm"]
    urgency = np.where(judged == 2, gel / np.maximum(dose, 1e-9), np.where(judged == 1, dose / gel, 0))
    index = np.unravel_index(urgency.argmax(), dose.shape)
    expected = [(i - (n - 1) / 2) * voxel_mm for i, n in zip(index, dose.shape, strict=True)]
    for axis, at in zip("xyz", expected, strict=True):
        said = shown.page.locator(f"#slices-{axis} >> xpath=../output").text_content()
        assert abs(float(said.split()[0]) - at) <= 0.26 * voxel_mm, axis  # of two finer slices either may be shown
    drawn = shown.page.evaluate("document.querySelector('[data-axis=z] .panels > div:nth-child(2)').data[0].z")
    step = dose.max() / 255
    assert np.abs(np.array(drawn).T - dose[:, :, index[2]]).max() <= 0.51 * step


def charted(shown, chart, name):
    """(x, y) of a line of a chart as the page draws it; gaps are NaN."""
    x, y = shown.page.evaluate(
        """([chart, name]) => { const all = document.querySelector(`[data-chart=${chart}]`).data;
        const { x, y } = all.find((line) => line.name === name); return [x, y]; }""",
        [chart, name],
    )
    return np.array(x, float), np.array(y, float)


def test_charts_are_those_of_the_file(shown, odd):
    """Each line of each chart, computed here from what h5py reads; pages hold six digits, doses are counted to 0.05 %,
    and a voxel whose dose is as near to the one asked for may count on its other side."""
    with h5py.File(odd[0]) as file:
        dose, judged = file["prediction/dose"][()], file["part/judged"][()]
        log = {name: values[()] for name, values in file["log"].items()}
        q, voxel_mm = dict(file["quality"].attrs), file["grid"].attrs["voxel_mm"]
    part, rest, gel = judged == 2, judged == 1, q["gel_mj_cm3"]
    for chart, column in (("by_iteration", "iteration"), ("by_time", "seconds")):
        x, y = charted(shown, chart, "window")
        np.testing.assert_allclose(x, log[column], rtol=1e-5)
        finite = np.where(np.isfinite(log["window_relative"]), log["window_relative"], np.nan)
        np.testing.assert_allclose(y, 100 * finite, rtol=1e-5)
    np.testing.assert_allclose(charted(shown, "loss", "loss")[1], log["loss"], rtol=1e-5)
    for name, own in (("part", part), ("surroundings", rest)):
        x, y = charted(shown, "dose_volume", name)
        assert len(x) > 100
        for at, share in zip(x[::20], y[::20], strict=True):
            near = (np.abs(dose[own] / max(at, 1e-9) - 1) < 6e-4).mean()
            assert abs(share - 100 * (dose[own] >= at).mean()) <= 100 * near + 1e-3, name
    z, least = charted(shown, "slice_doses", "least in the part")
    most, window = charted(shown, "slice_doses", "most outside")[1], charted(shown, "slice_window", "window")[1]
    for n, at in enumerate(z):
        k = round(at / voxel_mm + (dose.shape[2] - 1) / 2)
        d, inside, outside = dose[:, :, k], part[:, :, k], rest[:, :, k]
        low, high = d[inside].min() if inside.any() else np.nan, d[outside].max() if outside.any() else np.nan
        np.testing.assert_allclose([least[n], most[n]], [low, high], rtol=1e-5)
        np.testing.assert_allclose(window[n], 100 * (1 - high / low), rtol=1e-4, atol=1e-3)
    seconds, overlap = charted(shown, "overlap", "overlap")
    wrong = charted(shown, "wrong", "wrong volume")[1]
    for n in range(0, len(seconds), 40):
        scaled = dose * (seconds[n] / q["exposure_s"])
        loose = (np.abs(scaled / gel - 1) < 6e-4)[part | rest].sum()
        right, extra = (scaled > gel)[part].sum(), (scaled > gel)[rest].sum()
        assert abs(overlap[n] / 100 * (part.sum() + extra) - right) <= 2 * loose + 0.1
        assert abs(wrong[n] / voxel_mm**3 - (part.sum() - right + extra)) <= loose + 0.1


def test_solids_keep_their_proportions(shown):
    """A millimetre is as long along each axis of the 3D view."""
    sides, ranges = shown.page.evaluate(
        """() => { const scene = document.querySelector(".scene")._fullLayout.scene, xyz = ["x", "y", "z"];
        return [xyz.map((k) => scene.aspectratio[k]), xyz.map((k) => scene[`${k}axis`].range)]; }"""
    )
    each = [side / (high - low) for side, (low, high) in zip(sides, ranges, strict=True)]
    np.testing.assert_allclose(each, each[0], rtol=1e-9)
    assert len({round(high - low, 3) for low, high in ranges}) > 1  # else this could not fail


def test_side_by_side(browsed, odd, other, folder):
    """Figures of both files, the settings that differ, and the difference of the doses, cell by cell."""
    results = [odd[0], other[0]]
    page = pipeline.report(map(read_result, results), results, folder / "both.html")
    browsed.show(page)
    assert not browsed.faults
    stated = []
    for path in results:
        with h5py.File(path) as file:
            stated.append({name: float(value) for name, value in file["quality"].attrs.items()})
    found = browsed.page.eval_on_selector_all(
        "data[data-figure]", "all => all.map(one => [one.dataset.figure, one.dataset.result, one.value])"
    )
    assert {(name, int(n)) for name, n, _ in found} == {(name, n) for n in (0, 1) for name in stated[n]}
    for name, n, value in found:
        np.testing.assert_equal(float(value), stated[int(n)][name], err_msg=name)
    differ = browsed.page.eval_on_selector_all("#settings tbody th", "all => all.map(one => one.textContent)")
    assert {"design.iterations", "part[0].shape.height_mm", "part[1].role"} <= set(differ)
    assert not {"vial.inner_diameter_mm", "turn.angles"} & set(differ)
    one, two, apart = browsed.page.evaluate(
        "[1, 2, 3].map(n => document.querySelector(`[data-axis=z] .panels > div:nth-child(${n})`).data[0].z)"
    )
    assert np.shape(one) == np.shape(apart)
    assert np.shape(one) == np.shape(two)
    np.testing.assert_allclose(apart, np.subtract(two, one), atol=1e-9)
    browsed.page.locator("#slices-z").focus()
    before = browsed.still("[data-axis=z] .panels > div:nth-child(3)")
    browsed.page.keyboard.press("Home")
    browsed.drawn()
    assert browsed.picture("[data-axis=z] .panels > div:nth-child(3)") != before
    beyond = browsed.page.evaluate(
        "document.querySelector('[data-axis=z] .panels > div:nth-child(2)').data[0].z.flat()"
    )
    assert set(beyond) == {None}  # the lowest slice of the first lies below the second's grid


def test_a_study(browsed, folder):
    """Ranking, every run's figures, a failed run; names that would break a careless page."""
    plan = json.dumps({"rank_by": "iou_fine", "bound_iterations": 5, "jobs": ["</script>.toml"]})
    log = {"iteration": [0.0, 1.0], "seconds": [1.0, 2.0], "best_window": [math.nan, 0.1], "best_wrong": [9.0, 0.0]}
    settings = [{"design": {"loss": {"kind": kind}}, "vial": {"inner_diameter_mm": 10}} for kind in ("a", "b", "c")]
    runs = (
        Run("</script>", {"design.loss": "a"}, 0, settings[0], {"iou_fine": 0.91, "window_relative": 0.1}, log),
        Run("</script>", {"design.loss": "b"}, 0, settings[1], {"iou_fine": 0.95, "window_relative": 0.2}, log),
        Run("</script>", {"design.loss": "c"}, 0, settings[2], {}, {}, {"failed": "no <dose>"}),
    )
    browsed.show(write_study_page(Study("losses", plan, runs), folder / "study.html"))
    assert not browsed.faults
    ranked = browsed.page.eval_on_selector_all("#job-0 tbody th", "all => all.map(one => one.textContent)")
    assert [name.split()[-1] for name in ranked] == ["b", "a", "c"]
    found = browsed.page.eval_on_selector_all(
        "data[data-figure]", "all => all.map(one => [one.dataset.run, one.dataset.figure, Number(one.value)])"
    )
    expected = [[f"{n:04d}", name, value] for n, run in enumerate(runs) for name, value in sorted(run.figures.items())]
    assert sorted(found) == sorted(expected)
    assert "no <dose>" in browsed.page.locator("#runs").text_content()
    assert html.unescape(browsed.page.locator("#settings tbody th").first.text_content()) == "design.loss.kind"
