"""What the tests of pages in a real browser share: Chromium, phones whose clock is moved by hand, and axe-core.

A test file takes the fixtures it needs by importing them. One browser serves a whole file and each test has contexts,
and so stores, of its own. The browser belongs to the file and not to the session: Playwright runs once at a time in a
process, and files that start it for themselves must find it stopped.
"""

import csv
import io
import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
AT = "2026-03-16T08:00:00-04:00"
PLACE = {"timezone_id": "America/New_York", "locale": "en-US"}
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
"""Deque's open rules for WCAG 2.0 to 2.2, levels A and AA, and for best practice, by axe-core's names of the sets."""

STORELESS = {
    "refused": "Object.defineProperty(window, 'localStorage', {get() { throw new Error('denied'); }});",
    "full": "Storage.prototype.setItem = () => { throw new Error('quota'); };",
    "forgetful": "Storage.prototype.setItem = () => {};",
}
"""Scripts that take a page's store away, by how it fails."""
TWICE = """() => [...document.querySelectorAll("[id]")].map((one) => one.id)
  .filter((id, at, all) => all.indexOf(id) !== at)"""
NAMELESS = """() => [...document.querySelectorAll("input, textarea")]
  .filter((one) => !one.labels.length && !one.getAttribute("aria-label")).map((one) => one.id)"""


# --- the browser -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Start Debian's Chromium; where there is none the tests are skipped, except in CI."""
    path = chromium()
    if path is None and not os.environ.get("CI"):
        pytest.skip("no Chromium on this machine: install Debian's package chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=ARGS)
        yield started
        started.close()


def chromium() -> str | None:
    """Return where Chromium is."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


def lasting_context(browser: Any, profile: Path) -> Any:
    """Return a context of a browser of its own, which keeps what its pages keep in the folder `profile`."""
    return browser.browser_type.launch_persistent_context(profile, executable_path=chromium(), args=ARGS, **PLACE)


class Watched:
    """Pages of one context, and what they asked for and failed in."""

    def __init__(self, context: Any) -> None:
        self.context = context
        self.itself: list[str] = ["blob:"]
        self.asked: list[str] = []
        self.faults: list[str] = []

    def open(self, file: Path) -> Any:
        """Open a file in a page of its own."""
        self.itself.append(file.as_uri())
        page = self.context.new_page()
        page.set_default_timeout(4000)
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("console", lambda said: self.faults.append(said.text) if said.type == "error" else None)
        page.goto(file.as_uri())
        return page

    def assert_kept_to_itself(self) -> None:
        """Check that no page asked for anything beside itself and what it made, and that none failed."""
        assert [url for url in self.asked if not url.startswith(tuple(self.itself))] == []
        assert self.faults == []


# --- phones ----------------------------------------------------------------------------------------


class Phone(Watched):
    """A page on a phone, used as a person would; its clock stands still but for `wait`.

    Parameters
    ----------
    context : a context nobody else uses.
    file : the page.
    key : the name of the page's store.
    at : the time it is opened, RFC 3339.
    scripts : run before the page's own.
    """

    def __init__(self, context: Any, file: Path, key: str, at: str, *scripts: str) -> None:
        super().__init__(context)
        self.file, self.key = file, key
        for script in scripts:
            context.add_init_script(script)
        context.clock.install(time=datetime.fromisoformat(at) - timedelta(seconds=1))
        context.clock.pause_at(datetime.fromisoformat(at))
        self.page = self.open_again()

    def open_again(self) -> Any:
        """Open the page once more, in a tab of its own."""
        return self.open(self.file)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.context.clock.fast_forward(int(seconds * 1000) - 500)
        self.context.clock.run_for(500)

    def tap(self, name: str) -> None:
        """Tap a button, a moment after the last tap: a second touch at once is no second tap."""
        self.wait(1)
        self.page.get_by_role("button", name=name).first.click()

    def text(self, place: str) -> str:
        """Return the words at a place."""
        return self.page.locator(place).inner_text()

    def focused(self) -> str:
        """Return the id of what has the keyboard."""
        return self.page.evaluate("document.activeElement.id")

    def kept(self) -> str:
        """Return what the page keeps on the phone, a line an entry."""
        return self.page.evaluate("(key) => localStorage.getItem(key)", self.key)

    def lose(self, cut: str) -> None:
        """Do to the store what a browser that dies may do: lose its item (`all`) or what follows its first line."""
        self.page.evaluate(
            {
                "all": "(key) => localStorage.removeItem(key)",
                "end": "(key) => { const text = localStorage.getItem(key);"
                " localStorage.setItem(key, text.slice(0, text.indexOf('\\n') + 1)); }",
            }[cut],
            self.key,
        )


@pytest.fixture
def watch() -> Iterator[Callable[[Any], Any]]:
    """Return a keeper of phones: at the end their contexts are closed, and none has asked for anything or failed."""
    watched: list[Watched] = []

    def keep(one: Any) -> Any:
        watched.append(one)
        return one

    yield keep
    for one in watched:
        one.context.close()
        one.assert_kept_to_itself()


def size(more: dict[str, Any]) -> dict[str, Any]:
    """Return the wishes for a context with its width and height, a small phone's where none is wished for."""
    return {"viewport": {"width": more.pop("width", 360), "height": more.pop("height", 740)}} | PLACE | more


def csv_rows(text: str | bytes) -> list[dict[str, str]]:
    """Return the rows of a csv."""
    whole = text.decode("utf-8-sig") if isinstance(text, bytes) else text
    return list(csv.DictReader(io.StringIO(whole, newline="")))


def damaged(key: str, lines: str) -> str:
    """Return a script that puts these lines into an empty store."""
    return f"if (!localStorage.getItem('{key}')) localStorage.setItem('{key}', {json.dumps(lines)});"


# --- axe-core --------------------------------------------------------------------------------------


def broken_rules(page: Any, rules: Mapping[str, Any] | None = None) -> list[tuple[str, str]]:
    """Return which rules of axe-core a page breaks and the first element of each.

    The rules wait for timers, so the page's clock must run. The engine is read into a document once.

    Parameters
    ----------
    rules : wishes for single rules, by axe-core's names. All rules of `TAGS` are tried beside that, those too which
        axe-core leaves out unless their set is named.
    """
    from axe_playwright_python.sync_playwright import Axe

    if not page.evaluate("typeof window.axe === 'object'"):
        page.evaluate(Axe().axe_script)
    found = page.evaluate(
        "(options) => axe.run(document, options).then((all) => ({"
        " tried: [...all.passes, ...all.inapplicable, ...all.violations, ...all.incomplete].map((one) => one.id),"
        " broken: all.violations.map((one) => [one.id, one.nodes[0].html.slice(0, 120)]) }))",
        {"resultTypes": ["violations"], "runOnly": {"type": "tag", "values": TAGS}, "rules": dict(rules or {})},
    )
    assert "target-size" in found["tried"]  # of the set wcag22aa, and off unless that is named
    return [(rule, element) for rule, element in found["broken"]]
