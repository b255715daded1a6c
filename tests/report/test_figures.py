"""Figures for print: sizes, words and units, and every number against a plain computation of it."""

import re

import numpy as np
import pytest
import torch
from block import FINE, GRID, block

from lightlathe.errors import ResultError
from lightlathe.quantities import Grid, Part, Prediction

pytest.importorskip("matplotlib")
from PIL import Image

from lightlathe.report.figures import KINDS
from lightlathe.report.figures.drawn import looks
from lightlathe.report.figures.line import along_line
from lightlathe.report.figures.per_slice import counts, limits
from lightlathe.report.figures.scene import Scene
from lightlathe.report.figures.slices import COLOURS, index_at, place_of, slice_figure
from lightlathe.report.figures.write import write_figures


@pytest.fixture
def scene():
    return block()


@pytest.mark.parametrize(("form", "first"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_the_folder(scene, tmp_path, form, first):
    """Every kind, a slice and a line, with their numbers and captions; widths of one column or two."""
    written = write_figures(scene, tmp_path / "f", form, ["z=1.2", "x = -2"], [-2, 0, 0, 2, 0, 0])
    names = [*KINDS, "slice_z_1.2mm", "slice_x_-2mm", "dose_along_line"]
    tables = ["dose_volume", "dose_histogram", "per_slice", "dose_along_line", "worst_places"]
    expected = {f"{name}.{form}" for name in names} | {f"{name}.csv" for name in tables} | {"captions.txt"}
    assert {path.name for path in (tmp_path / "f").iterdir()} == {path.name for path in written} == expected
    captions = (tmp_path / "f" / "captions.txt").read_text()
    for name in names:
        path = tmp_path / "f" / f"{name}.{form}"
        assert path.read_bytes().startswith(first)
        assert f"{path.name}\nblock" in captions
        width_mm = 183.0 if name.startswith(("slice", "per")) else 89.0
        assert width_of(path) == pytest.approx(width_mm, abs=0.1)


def test_figures_take_the_place_of_figures_only(scene, tmp_path):
    """Those of another format, and of slices not asked for again, are gone; a file of the reader's own stays."""
    folder = tmp_path / "f"
    write_figures(scene, folder, "svg", ["z=1.2"])
    with pytest.raises(ResultError, match="--replace replaces figures written there"):
        write_figures(scene, folder)
    written = write_figures(scene, folder, "png", replace=True)
    assert set(folder.iterdir()) == set(written)
    assert not list(folder.glob("*.svg"))
    (folder / "notes.csv").write_text("mine")
    with pytest.raises(ResultError, match=r"holds notes\.csv, which is not of figures that Lightlathe wrote there"):
        write_figures(scene, folder, replace=True)
    assert (folder / "notes.csv").read_text() == "mine"


def width_of(path):
    """In mm, from the file."""
    if path.suffix == ".png":
        with Image.open(path) as image:
            return image.width / image.info["dpi"][0] * 25.4
    found = re.search(
        rb'<svg[^>]* width="([\d.]+)pt"' if path.suffix == ".svg" else rb"/MediaBox \[ 0 0 ([\d.]+)", path.read_bytes()
    )
    return float(found[1]) / 72 * 25.4


@pytest.mark.parametrize("kind", list(KINDS))
def test_words_are_8_points_and_axes_have_units(scene, kind):
    from matplotlib.text import Text

    with looks():
        figure = KINDS[kind](scene).figure
        figure.canvas.draw()
        words = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
        assert {text.get_fontsize() for text in words} == {8.0}
        labels = [axis.get_label().get_text() for axes in figure.axes for axis in (axes.xaxis, axes.yaxis)]
    said = [label for label in labels if label]
    assert len(said) >= 2
    assert all(re.search(r"/\s*(mm|%|1|\(|\n)", label) for label in said), said


def test_dose_volume_curves(scene):
    """Share of voxels at or above each dose, counted one by one; doses within 1/2000 of a step left out."""
    columns = KINDS["dose_volume"](scene).columns
    doses = np.asarray(columns["dose [mJ/cm3]"])
    for name, value in (("part", 2), ("around the part", 1)):
        of = scene.dose[scene.judged == value]
        clear = np.abs(doses[:, None] / of - 1).min(1) > 1e-3
        assert clear.sum() > 100
        brute = np.array([100 * (of >= dose).mean() for dose in doses])
        np.testing.assert_allclose(np.asarray(columns[f"{name} [% of its volume]"])[clear], brute[clear], atol=1e-9)


def test_histograms_hold_all_of_the_volume(scene):
    columns = KINDS["dose_histogram"](scene).columns
    for name, value in (("part", 2), ("around the part", 1)):
        share = np.asarray(columns[f"{name} [% of its volume]"])
        assert share.sum() == pytest.approx(100)
        edges = [*columns["from dose [mJ/cm3]"], columns["to dose [mJ/cm3]"][-1]]
        brute = np.histogram(scene.dose[scene.judged == value], edges)[0]
        # a dose within 1/2000 of an edge may count on its other side
        assert np.abs(share / 100 * brute.sum() - brute).sum() <= 0.02 * brute.sum()


def test_slice_by_slice(scene):
    least, most = limits(scene)
    right, under, over = counts(scene)
    for k in range(9):
        inside, outside = (scene.dose[:, :, k][scene.judged[:, :, k] == value] for value in (2, 1))
        assert (np.isnan(least[k]) and not len(inside)) or least[k] == inside.min()
        assert most[k] == outside.max()
    part, solid = scene.print_judged == 2, scene.print_solid
    np.testing.assert_array_equal(right, (part & solid).sum((0, 1)))
    np.testing.assert_array_equal(under, (part & ~solid).sum((0, 1)))
    np.testing.assert_array_equal(over, ((scene.print_judged == 1) & solid).sum((0, 1)))
    columns = KINDS["per_slice"](scene).columns
    np.testing.assert_allclose(columns["liquid by mistake [mm2]"], under * 0.25**2)


def test_dose_along_a_line():
    """A dose that is linear in x, y and z is met exactly on any line; in the last half voxel it stays as it is."""
    x, y, z = (GRID.centres_mm(axis).float() for axis in range(3))
    dose = 50 + 3 * x[:, None, None] - 2 * y[:, None] + z
    part = Part(GRID, torch.zeros(GRID.shape), torch.ones(GRID.shape, dtype=torch.uint8))
    scene = Scene("ramp", part, Prediction(dose, dose > 45), None, 2.9, 40.0, 45.0, 50.0)
    with looks():
        columns = {k: np.asarray(v) for k, v in along_line(scene, [-2.7, 3.0, -1.5, 2.5, -3.1, 2.0]).columns.items()}
    at = [columns[f"{axis} [mm]"] for axis in "xyz"]
    np.testing.assert_allclose(columns["dose [mJ/cm3]"], 50 + 3 * at[0] - 2 * at[1] + at[2], rtol=1e-5)
    np.testing.assert_allclose(columns["dose / gel dose [1]"], columns["dose [mJ/cm3]"] / 45.0)
    length = np.linalg.norm([5.2, -6.1, 3.5])
    assert columns["distance [mm]"][-1] == pytest.approx(length)
    assert (at[0][-1], at[1][-1], at[2][-1]) == pytest.approx((2.5, -3.1, 2.0))


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        (
            [0, 0, 0, 3.1, 0, 0],
            r"leaves the grid; expected x from -3 to 3, y from -3\.5 to 3\.5, z from -2\.25 to 2\.25 mm",
        ),
        ([0, 0, 0, float("nan"), 0, 0], "leaves the grid"),
        ([1, 1, 1, 1, 1, 1], r"from \(1, 1, 1\) to \(1, 1, 1\) mm has no length"),
    ],
)
def test_lines_that_cannot_be(scene, tmp_path, ends, words):
    with pytest.raises(ResultError, match=words):
        write_figures(scene, tmp_path / "f", line=ends)
    assert not (tmp_path / "f").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("z=2.3", r"slice 'z=2\.3' is outside the grid; expected z from -2\.25 to 2\.25 mm"),
        ("y=-4", r"expected y from -3\.5 to 3\.5 mm"),
        ("x=nan", "outside the grid"),
        *(
            (text, r"expected an axis and a place in mm, such as z=1\.2")
            for text in ("1.2", "w=1", "z=", "z=1mm", "=1", "xy=1")
        ),
    ],
)
def test_slices_that_cannot_be(scene, tmp_path, text, words):
    with pytest.raises(ResultError, match=words):
        write_figures(scene, tmp_path / "f", slices=[text])
    assert not (tmp_path / "f").exists()


@pytest.mark.parametrize("grid", [Grid((4, 5, 6), 0.3), Grid((7, 8, 9), 0.125)])
def test_a_place_is_in_the_slice_whose_centre_is_nearest(grid):
    for axis in range(3):
        centres = grid.centres_mm(axis).numpy()
        for at in np.linspace(centres[0] - 0.49 * grid.voxel_mm, centres[-1] + 0.49 * grid.voxel_mm, 57):
            if abs(np.diff(np.sort(np.abs(centres - at))[:2])[0]) > 1e-9:
                assert index_at(grid, axis, at) == np.abs(centres - at).argmin()
        half = grid.extent_mm[axis] / 2
        assert (index_at(grid, axis, -half), index_at(grid, axis, half)) == (0, len(centres) - 1)
    assert place_of(" Z = -0.4", grid) == (2, -0.4)


@pytest.mark.parametrize(("axis", "at"), [(0, 1.3), (1, -0.2), (2, 0.9)])
def test_the_panels_show_that_slice(scene, axis, at):
    """First axis across, second up, of the arrays at that place; the error is that of the finer grid."""
    with looks():
        figure = slice_figure(scene, axis, at).figure
    wanted, dose, _, error = (panel.images[0].get_array() for panel in figure.axes[:4])
    k, fine = index_at(GRID, axis, at), index_at(FINE, axis, at)
    assert fine // 2 == k
    np.testing.assert_array_equal(wanted, np.moveaxis(scene.coverage, axis, 0)[k].T)
    np.testing.assert_array_equal(dose, np.moveaxis(scene.dose, axis, 0)[k].T)
    judged, solid = (np.moveaxis(volume, axis, 0)[fine].T for volume in (scene.print_judged, scene.print_solid))
    code = {(0, 0): 0, (0, 1): 0, (1, 0): 1, (2, 1): 2, (2, 0): 3, (1, 1): 4}
    by_hand = [[code[int(j), int(s)] for j, s in zip(*row, strict=True)] for row in zip(judged, solid, strict=True)]
    np.testing.assert_array_equal(error, by_hand)
    assert {3, 4} < set(np.unique(error))
    extent = figure.axes[0].images[0].get_extent()
    across, up = (n for n in range(3) if n != axis)
    assert extent == pytest.approx(
        [*(s * GRID.extent_mm[across] / 2 for s in (-1, 1)), *(s * GRID.extent_mm[up] / 2 for s in (-1, 1))]
    )


MACHADO = {  # full severity, linear RGB; G. M. Machado et al., IEEE TVCG 15 (2009) 1291, table of the authors' page
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


@pytest.mark.parametrize("sight", list(MACHADO))
def test_colour_blind_readers_tell_outcomes_apart(sight):
    """Any two colours differ by ten times what is just noticeable in CIELAB, 2.3 (M. Mahy et al., Color Res. Appl. 19
    (1994) 105), white and the pale grey outside the vial by three times; the usual pure red and green would not."""
    from matplotlib.colors import to_rgb
    from skimage.color import rgb2lab

    def seen(colour):
        rgb = np.array(to_rgb(colour))
        linear = np.where(rgb > 0.04045, ((rgb + 0.055) / 1.055) ** 2.4, rgb / 12.92)
        there = np.clip(np.array(MACHADO[sight]) @ linear, 0, 1)
        return rgb2lab(np.where(there > 0.0031308, 1.055 * there ** (1 / 2.4) - 0.055, 12.92 * there)[None, None])[0, 0]

    lab = [seen(colour) for colour in COLOURS]
    gaps = {(a, b): float(np.linalg.norm(lab[a] - lab[b])) for a in range(5) for b in range(a)}
    assert gaps.pop((1, 0)) > 3 * 2.3
    assert min(gaps.values()) > 10 * 2.3, gaps
    if sight == "deuteranopia":
        assert np.linalg.norm(seen("#c04000") - seen("#507000")) < 10 * 2.3  # a red and a green that are one to them
