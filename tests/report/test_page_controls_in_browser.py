"""The HTML page of a result in headless Chromium: its controls, by keyboard too, in both themes, on a phone."""

import io

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("plotly")


SLIDERS = {
    "slices-z": "[data-axis=z] .panels > div:nth-child(2)",
    "slices-y": "[data-axis=y] .panels > div:nth-child(2)",
    "slices-x": "[data-axis=x] .panels > div:nth-child(2)",
    "slices-zoom": "[data-axis=z] .panels > div:nth-child(2)",
    "solid-cut": ".scene",
    "solid-turn": ".scene",
    "solid-tilt": ".scene",
    "frames-angle": ".picture",
    "frames-row": ".sinogram",
}


@pytest.mark.parametrize("slider", SLIDERS)
def test_sliders_change_the_picture_by_keyboard(shown, slider):
    control = shown.page.locator(f"#{slider}")
    said = control.locator("xpath=../output").text_content()
    control.focus()
    before = shown.still(SLIDERS[slider])
    at_the_left = shown.page.evaluate("document.activeElement.value === document.activeElement.min")
    for _ in range(8):
        shown.page.keyboard.press("ArrowRight" if at_the_left else "ArrowLeft")
    shown.drawn()
    shown.page.wait_for_timeout(100)
    assert shown.picture(SLIDERS[slider]) != before
    assert control.locator("xpath=../output").text_content() != said
    assert not shown.faults


def test_choices_change_the_picture(shown):
    """Another surface, another grid, a place."""
    for choice, picture in (
        ("input[name=solid-show][value=part]", ".scene"),
        ("#solid-insert", ".scene"),
        ("input[name=slices-grid][value=own]", "[data-axis=z] .panels > div:nth-child(4)"),
        ("[data-place='1']", "[data-axis=z] .panels > div:nth-child(2)"),
    ):
        before = shown.still(picture)
        shown.page.locator(choice).click()
        shown.drawn()
        shown.page.wait_for_timeout(100)
        assert shown.picture(picture) != before, choice
    assert not shown.faults


def test_the_keyboard_reaches_every_control(shown):
    """By Tab from the top; of radio buttons with one name the chosen one, as browsers have it."""
    wanted = shown.page.evaluate(
        """() => {
          const controls = [...document.querySelectorAll("a[href], button, input, select, summary")];
          const stops = controls.filter(c => (c.type !== "radio" || c.checked) && c.checkVisibility());
          stops.forEach((control, n) => { control.dataset.stop = n; });
          return stops.length;
        }"""
    )
    assert wanted > 30
    reached, unnamed = set(), []
    for _ in range(wanted + 60):  # tables that scroll, and texts, are stops too
        shown.page.keyboard.press("Tab")
        stop, name = shown.page.evaluate(
            """() => {
              const at = document.activeElement;
              const label = at.labels?.[0]?.textContent || at.textContent || at.getAttribute("aria-label") || "";
              return [at.dataset.stop, label.trim()];
            }"""
        )
        reached.add(stop)
        if stop is not None and not name:
            unnamed.append(stop)
    assert {str(n) for n in range(wanted)} <= reached
    assert not unnamed


def test_pictures_have_words(shown):
    empty = shown.page.eval_on_selector_all(
        "[role=img]", "all => all.filter(one => !(one.getAttribute('aria-label') || '').trim()).length"
    )
    assert empty == 0
    assert shown.page.locator("[role=img]").count() >= 12 + 8
    axes = shown.page.eval_on_selector_all(
        ".js-plotly-plot",
        "all => all.flatMap(p => ['xaxis', 'yaxis'].map(a => p.layout[a]?.title?.text)).filter(t => t)",
    )
    assert len(axes) >= 40
    bare = {title for title in axes if " / " not in title} - {"column", "row", "iteration", "loss", "wrong voxels"}
    assert not bare  # every other axis has its unit


def test_both_themes_and_print(shown, folder):
    mean = {}
    for scheme in ("light", "dark"):
        shown.page.emulate_media(color_scheme=scheme, media="screen")
        shown.drawn()
        shown.page.screenshot(path=folder / f"{scheme}.png")
        mean[scheme] = np.asarray(Image.open(folder / f"{scheme}.png").convert("L")).mean()
    assert mean["light"] > 200  # of 255: dark on light, and the other way round
    assert mean["dark"] < 80
    grid = "document.querySelector('[data-chart=dose_volume]').layout.font.color"
    assert shown.page.evaluate(grid) == "#e8ecf1"
    pdf = shown.page.pdf()  # prints in the light colours, whatever the theme
    assert pdf.startswith(b"%PDF")
    shown.page.emulate_media(color_scheme="dark", media="print")
    assert shown.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not shown.page.locator("nav").is_visible()
    assert not shown.faults


def test_the_solid_is_printed_in_light_colours_from_a_dark_page(shown, odd):
    """The picture for paper has the ink of the light theme; that of the dark one is in the edges of letters alone."""
    shown.page.emulate_media(color_scheme="dark", media="screen")
    shown.show(odd[1])
    assert not shown.page.locator(".on-paper").is_visible()
    shown.page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
    assert shown.page.locator(".on-paper").is_visible()
    assert not shown.page.locator(".scene").is_visible()
    assert shown.page.locator("details.printed").get_attribute("open") is not None
    with Image.open(io.BytesIO(shown.picture(".on-paper"))) as picture:
        pixels = np.asarray(picture.convert("RGB")).reshape(-1, 3).astype(int)
    inks = {"light": (0x56, 0x61, 0x70), "dark": (0xA3, 0xAE, 0xBB)}  # --muted of page.css: labels of the axes
    near = {name: int((np.abs(pixels - ink).max(1) <= 4).sum()) for name, ink in inks.items()}
    assert near["light"] > max(100, 2 * near["dark"])
    assert pixels[0].min() > 250  # paper
    shown.page.evaluate("() => window.dispatchEvent(new Event('afterprint'))")
    assert shown.page.locator(".scene").is_visible()
    assert shown.page.locator("details.printed").get_attribute("open") is None


def test_no_sideways_scrolling_on_a_phone(shown, odd):
    shown.page.set_viewport_size({"width": 360, "height": 800})
    shown.show(odd[1])
    assert shown.page.evaluate("document.documentElement.scrollWidth") <= 360


def test_no_sideways_scrolling_after_the_window_became_narrower(shown):
    """Every chart and slice is drawn anew, as wide as its place."""
    fits = """() => {
        const drawn = [...document.querySelectorAll(".svg-container")];
        const off = drawn.map(one => one.getBoundingClientRect().width
            - one.closest(".js-plotly-plot").getBoundingClientRect().width);
        return drawn.length > 12 && Math.max(...off.map(Math.abs)) < 1
            && document.documentElement.scrollWidth <= innerWidth;
    }"""
    for width in (1100, 500, 360, 900):
        shown.page.set_viewport_size({"width": width, "height": 800})
        shown.page.wait_for_function(fits, timeout=10_000)
    assert not shown.faults
