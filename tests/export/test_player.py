"""The player page: whole without a network, and in a browser every pixel and image where and when it should be."""

import contextlib
import io
import json
import os
import re
import shutil

import numpy as np
import pytest
from image_sets import images_of, random_levels, upright
from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.export.mounting import Mounting
from lightlathe.export.player import write_player

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def test_the_folder_is_whole(tmp_path):
    """The page names frames beside it and no place elsewhere; it warns, and frames are those of one turn."""
    levels = random_levels((137, 9, 5))
    page = write_player(images_of(levels, written=3, mounting=Mounting("left_right")), tmp_path / "p")
    text = page.read_text()
    assert not re.search(r"(?:src|href|url|import|fetch)\s*[=(]\s*[\"']?https?:|//cdn|@import", text)
    job = json.loads(re.search(r"const job = (\{.*?\});\n", text)[1])
    assert (job["caution"], job["turns"], len(job["files"])) == ("light", 3, 137)
    assert job["dwell_s"] * 137 == pytest.approx(7.0)
    assert job["files"] == sorted(p.name for p in page.parent.glob("*.png"))
    assert job["files"][0] == "frame_000.png"
    frames = np.stack([np.asarray(Image.open(page.parent / name)) for name in job["files"]])
    np.testing.assert_array_equal(frames, upright(levels)[:, :, ::-1])
    assert json.loads((page.parent / "manifest.json").read_text())["caution"] == "light"


def test_a_name_cannot_leave_its_place(tmp_path):
    images = images_of(random_levels((3, 9, 5)))
    images.facts["name"] = "</script><img src=x onerror=alert(1)>&"
    text = write_player(images, tmp_path / "p").read_text()
    assert text.count("</script>") == 1
    assert "<img" not in text


@pytest.mark.parametrize(
    ("images", "words"),
    [
        ({"levels": random_levels((5, 9, 5), 4095), "bits": 12}, "a player in a browser shows 8 bits"),
        ({"levels": random_levels((480, 9, 5)), "turn_s": 1.0}, "take 480 images a second, and no usual screen"),
    ],
)
def test_what_no_browser_shows_is_refused(tmp_path, images, words):
    with pytest.raises(ResultError, match=words):
        write_player(images_of(**images), tmp_path / "p")
    assert not (tmp_path / "p").exists()


@pytest.fixture(scope="module")
def launch():
    """Starts Chromium with so many device pixels for a pixel of CSS."""
    play = pytest.importorskip("playwright.sync_api", reason="needs playwright (pip install playwright)")
    if not CHROMIUM:
        pytest.skip("needs the program chromium (apt-get install chromium)")
    sandbox = [] if os.geteuid() else ["--no-sandbox"]  # root has none
    with play.sync_playwright() as started:
        yield lambda ratio=1.0: started.chromium.launch(
            executable_path=CHROMIUM, args=[*sandbox, f"--force-device-scale-factor={ratio}", "--window-size=700,600"]
        )


@contextlib.contextmanager
def opened(launch, page, ratio=1.0):
    """The page in a window of its own; ends with a look at what it complained of, and asked for elsewhere."""
    browser = launch(ratio)
    try:
        shown = browser.new_context(no_viewport=True).new_page()
        said, asked = [], []
        shown.on("console", lambda message: said.append(message.text))
        shown.on("pageerror", lambda problem: said.append(str(problem)))
        shown.on("request", lambda request: asked.append(request.url))
        shown.goto(page.as_uri())
        shown.wait_for_function("ready()", timeout=60_000)
        yield shown
        assert not said
        assert len(asked) > 2
        assert all(url.startswith("file:") for url in asked)
    finally:
        browser.close()


def pixels(shown):
    """(row, column, 3) of the window, a value for each device pixel."""
    return np.asarray(Image.open(io.BytesIO(shown.screenshot(scale="device"))).convert("RGB"))


@pytest.mark.parametrize("ratio", [1.0, 1.25, 2.0])
def test_every_pixel_is_one_of_the_screen(launch, tmp_path, ratio):
    """Black before, then the first image in the middle, pixel for pixel whatever the screen's zoom, black around it."""
    levels = random_levels((2, 57, 31))
    page = write_player(images_of(levels, turn_s=200.0), tmp_path / "p")
    with opened(launch, page, ratio) as shown:
        assert shown.evaluate("devicePixelRatio") == ratio
        shown.keyboard.press("Enter")
        shown.wait_for_function("state === 'armed'")
        assert pixels(shown).max() == 0
        shown.keyboard.press("Enter")
        shown.wait_for_function("shown === 0")
        shown.wait_for_timeout(100)
        seen = pixels(shown)
        high, wide = seen.shape[:2]
        left, top = (wide - 57) // 2, (high - 31) // 2
        wanted = np.zeros((high, wide, 3), np.uint8)
        wanted[top : top + 31, left : left + 57] = upright(levels)[0][:, :, None]
        np.testing.assert_array_equal(seen, wanted)
        shown.keyboard.press("x")
        shown.wait_for_function("state === 'over'")
        assert pixels(shown).max() == 0


COUNT_IMAGES = """() => {
    window.order = [];
    const real = pen.drawImage.bind(pen);
    pen.drawImage = (...all) => { order.push(shown); real(...all); };
}"""


def test_all_turns_in_their_time(launch, tmp_path):
    """Three turns of 12 images, 50 ms each: 1.8 s by the page's own clock, each image once, and black at the end.

    Other load than this test may make images late, so the drift is only held to be told."""
    page = write_player(images_of(random_levels((12, 30, 20)), turn_s=0.6), tmp_path / "p")
    with opened(launch, page) as shown:
        shown.evaluate(COUNT_IMAGES)
        shown.keyboard.press("Enter")
        shown.keyboard.press("Enter")
        shown.wait_for_function("state === 'over'", timeout=30_000)
        text = shown.evaluate("seen")
        told = re.fullmatch(
            r"all 3 turns: planned 1\.800 s, shown ([\d.]+) s; largest drift (-?[\d.]+) ms; "
            r"(?:every image was|(\d+) images were never) shown",
            text,
        )
        assert told, text
        assert float(told[1]) >= 1.8 - 0.03  # the end is rounded to a refresh
        assert shown.evaluate("order.length") + int(told[3] or 0) == 36
        assert pixels(shown).max() == 0
        shown.keyboard.press("s")
        shown.wait_for_function("document.getElementById('facts').textContent.includes('last run')")


def test_the_operators_window_tells_turn_and_drift(launch, tmp_path):
    page = write_player(images_of(random_levels((12, 30, 20)), turn_s=1.2, turns=100), tmp_path / "p")
    with opened(launch, page) as shown:
        with shown.expect_popup() as popup:
            shown.keyboard.press("o")
        shown.bring_to_front()
        shown.keyboard.press("Enter")
        shown.keyboard.press("Enter")
        popup.value.wait_for_function(
            r"/turn \d+ of 100 +image \d+ of 12[^]*drift -?[\d.]+ ms/.test(document.body.textContent)", timeout=30_000
        )


def test_a_frame_larger_than_the_window_is_not_started(launch, tmp_path):
    page = write_player(images_of(random_levels((3, 701, 20))), tmp_path / "p")
    with opened(launch, page) as shown:
        shown.wait_for_function("document.getElementById('facts').textContent.includes('701 x 20 pixels, this window')")
        shown.keyboard.press("Enter")
        shown.wait_for_timeout(200)
        assert shown.evaluate("state") == "setup"
