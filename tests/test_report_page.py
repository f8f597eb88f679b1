"""The report in a real browser: fits a phone, asks the network for nothing, needs no script."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from analysis import decide, report
from tests.conftest import EXAMPLE
from trials import folder

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Start Debian's Chromium; where there is none the tests are skipped, except in CI."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None and not os.environ.get("CI"):
        pytest.skip("no Chromium on this machine: install Debian's package chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"],
        )
        yield started
        started.close()


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the example's report."""
    place = tmp_path_factory.mktemp("report") / "trial"
    shutil.copytree(EXAMPLE, place)
    trial = folder.load(place)
    return report.write(trial, decide.decide(trial), "2026-11-25T12:00:00Z")


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_the_page_fits_the_screen(browser, page_file, width):
    context = browser.new_context(viewport={"width": width, "height": 800}, java_script_enabled=True, offline=True)
    page = context.new_page()
    asked: list[str] = []
    faults: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert faults == []
    too_small = page.evaluate(
        "[...document.querySelectorAll('p, li, td, th, figcaption')]"
        ".filter(e => e.textContent.trim() && parseFloat(getComputedStyle(e).fontSize) < 11)"
        ".map(e => e.textContent.trim().slice(0, 40))"
    )
    assert too_small == []
    context.close()


def test_the_answer_comes_first_and_can_be_read_aloud(browser, page_file):
    context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
    page = context.new_page()
    page.goto(page_file.as_uri())
    first = page.locator("h2").first.inner_text()
    assert "answer" in first.lower()
    assert page.locator("h1").count() == 1
    assert page.locator("main").count() == 1
    assert page.locator("svg:not([role=img]):not([aria-hidden=true])").count() == 0
    context.close()


def test_it_prints(browser, page_file):
    context = browser.new_context()
    page = context.new_page()
    page.goto(page_file.as_uri())
    for paper in ("A4", "Letter"):
        assert page.pdf(format=paper).startswith(b"%PDF")
    context.close()
