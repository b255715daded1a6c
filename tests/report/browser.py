"""Chromium for tests of pages: started once, told to reach nothing outside, with all that it complains of kept."""

import contextlib
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium")
QUIET = ("disable-quic", "no-first-run", "disable-background-networking", "disable-component-update", "disable-sync")
SOFTWARE_GL = ("use-gl=angle", "use-angle=swiftshader", "enable-unsafe-swiftshader")
SIZE = {"width": 800, "height": 600}  # small: without a GPU every pixel takes time
DRAWN = "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 20))))"


@dataclass
class Tab:
    """A page of the browser, and what went wrong on it."""

    page: Any
    faults: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    path: Path | None = None

    def show(self, path: Path) -> None:
        """Load a file; returns when all of it is drawn."""
        self.path = path
        self.faults.clear()
        self.requests.clear()
        self.page.goto(path.as_uri())
        self.page.wait_for_selector("html[data-ready]", state="attached", timeout=60_000)
        self.drawn()

    def drawn(self) -> None:
        """Returns when the next pictures are drawn."""
        self.page.evaluate(DRAWN)

    def picture(self, selector: str) -> bytes:
        """PNG of the first element."""
        return self.page.locator(selector).first.screenshot()

    def still(self, selector: str) -> bytes:
        """A picture that no longer changes by itself: what was drawn or scrolled before has come to rest."""
        for _ in range(20):
            before = self.picture(selector)
            self.page.wait_for_timeout(100)
            if self.picture(selector) == before:
                return before
        pytest.fail(f"{selector} does not come to rest")


@contextlib.contextmanager
def tab() -> Iterator[Tab]:
    """A tab in which every request but of the file itself fails, and is kept."""
    playwright = pytest.importorskip("playwright.sync_api", reason="no Playwright: pip install -e '.[browser]'")
    if CHROMIUM is None:
        pytest.skip("no Chromium: apt-get install chromium")
    flags = [f"--{flag}" for flag in (*QUIET, *SOFTWARE_GL, "no-sandbox")]
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=flags)
        page = browser.new_page(viewport=SIZE, color_scheme="light", reduced_motion="reduce")
        found = Tab(page)
        page.on("console", lambda said: said.type == "error" and found.faults.append(said.text))
        page.on("pageerror", lambda fault: found.faults.append(str(fault)))
        page.on("dialog", lambda dialog: (found.faults.append(dialog.message), dialog.dismiss()))
        page.on("request", lambda request: found.requests.append(request.url))
        page.route("**/*", lambda route: route.continue_() if route.request.url.startswith("file:") else route.abort())
        try:
            yield found
        finally:
            browser.close()
