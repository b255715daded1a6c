"""What a notebook shows of a record."""

import base64
import dataclasses
import io
import re
import sys
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

import lightlathe as ll
from lightlathe.job import load_job
from lightlathe.support.colours import LIQUID, OVER, SOLID, UNDER, rgb


@pytest.fixture(scope="module")
def record(small_job, tmp_path_factory):
    path = tmp_path_factory.mktemp("n") / "disc.toml"
    path.write_text(small_job(iterations=20) + 'bound_iterations = 5\n[notes]\noperator = "<b>A & B</b>"\n')
    return ll.design(load_job(path))


class Page(HTMLParser):
    """The tags and the text of a fragment."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.text = [], ""
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += f"{data}\n"


def test_verdict_and_figures_are_those_of_the_record(record):
    page = Page(record._repr_html_())
    assert "disc: marginal" in page.text
    assert f"{record.quality['iou_fine']:.4f}" in page.text
    assert f"{100 * record.quality['window_relative']:.1f} %" in page.text
    assert f"{record.patterns.exposure_s:g} s, 1 turn of 60 images" in page.text
    for warning in record.warnings:
        assert warning in page.text


def test_text_from_a_job_stays_text_and_nothing_is_loaded_from_elsewhere(record):
    odd = dataclasses.replace(record, name="<script>alert(1)</script>", warnings=("<img src=x onerror=y>",))
    page = Page(odd._repr_html_())
    assert {tag for tag, _ in page.tags} == {"div", "p", "b", "table", "tr", "th", "td", "ul", "li", "img"}
    assert "<script>alert(1)</script>: " in page.text
    assert "<b>A & B</b>" in page.text
    (image,) = [attrs for tag, attrs in page.tags if tag == "img"]
    assert set(image) == {"alt", "src"}
    assert image["src"].startswith("data:image/png;base64,")


def test_the_picture_shows_the_print(record):
    """Its pixels of the colour of solid resin cover the area of the disc, 4 mm wide in 10."""
    data = re.search(r"base64,([^\"]+)", record._repr_html_())[1]
    image = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGB")).astype(int)
    left = image[: image.shape[0] * 4 // 5, : image.shape[1] // 2]  # the cut across the axis, without the legend

    def shows(*colours):
        return np.any([np.abs(left - np.array(colour)).max(-1) < 8 for colour in colours], axis=0)

    part = shows(rgb(SOLID), rgb(UNDER))  # solid, and liquid by mistake: together the part
    vial = part | shows(rgb(LIQUID), rgb(OVER))
    middle = int(np.nonzero(part)[0].mean())
    across = vial[middle].sum()  # 10 mm, in pixels
    assert part.sum() / across**2 == pytest.approx(np.pi * 2**2 / 10**2, rel=0.1)


def test_without_matplotlib_there_is_no_picture(record, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.colors", None)
    assert "<img" not in record._repr_html_()
    assert "marginal" in record._repr_html_()


def test_packed_volumes_look_the_same(record, tmp_path):
    """As those of large results are held: the notebook's table and picture, and the picture of `export`, pixel by
    pixel; and the part's place where the file does not hold it."""
    from lightlathe import pipeline
    from lightlathe.quantities import Packed, Packing
    from lightlathe.report.summary import extent_mm

    def packed(holder):
        volumes = {field.name: getattr(holder, field.name) for field in dataclasses.fields(holder)}
        held = {n: Packing.of(v) for n, v in volumes.items() if getattr(v, "ndim", 0) == 3}
        return dataclasses.replace(holder, **held)

    of_before = {name: value for name, value in record.facts.items() if not name.startswith("part_")}
    plain = dataclasses.replace(record, facts=of_before)
    large = dataclasses.replace(
        plain, part=packed(record.part), prediction=packed(record.prediction), fine=packed(record.fine)
    )
    assert isinstance(large.part.coverage, Packed)
    assert large._repr_html_() == plain._repr_html_()
    pictures = [pipeline.picture(one, tmp_path / f"{n}.png") for n, one in enumerate((plain, large))]
    shown = [np.asarray(Image.open(path)) for path in pictures]
    np.testing.assert_array_equal(*shown)
    (low, high, reach), (low_, high_, reach_) = extent_mm(plain), extent_mm(large)
    assert low.tolist() == low_.tolist()
    assert high.tolist() == high_.tolist()
    assert reach == pytest.approx(reach_)
    solid = np.argwhere(record.part.coverage.numpy() >= 0.5)  # by brute force
    middle = np.array(record.part.grid.shape) / 2
    np.testing.assert_allclose(low, (solid.min(0) - middle) * record.part.grid.voxel_mm, atol=1e-12)
    np.testing.assert_allclose(high, (solid.max(0) + 1 - middle) * record.part.grid.voxel_mm, atol=1e-12)
