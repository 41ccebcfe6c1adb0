"""A real browser for tests: the system's Chromium, watched for whatever a page should not do."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

DESKTOP = {"width": 1280, "height": 800}
TABLET = {"width": 820, "height": 1180}
NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")


def chromium() -> str:
    """Where the system's Chromium is; the test is skipped without it."""
    found = os.environ.get("CHROMIUM") or next((path for name in NAMES if (path := shutil.which(name))), None)
    if not found:
        pytest.skip("there is no Chromium here (apt-get install chromium, or CHROMIUM=path)")
    return found


def axe_script() -> str:
    """The source of axe, which its package carries."""
    spec = find_spec("axe_playwright_python")
    assert spec is not None
    assert spec.submodule_search_locations
    return (Path(spec.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8")


@dataclass
class Watch:
    """What happened beside the page: faults in the console, requests to other places."""

    home: str
    faults: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    def follow(self, page: Any) -> None:
        """Watch a page from now on."""
        page.on("console", self._said)
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("request", lambda request: self._request(request.url))

    def _said(self, message: Any) -> None:
        refusal = "the server responded with a status of 4"  # which the page shows
        if message.type == "error" and refusal not in message.text:
            self.faults.append(message.text)

    def _request(self, url: str) -> None:
        if not url.startswith((self.home, "blob:", "data:")):
            self.elsewhere.append(url)


@contextmanager
def browsing() -> Iterator[Any]:
    """A browser without a window."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  # only where there is a browser

    path = chromium()
    with sync_playwright() as driver:
        options = ["--disable-gpu", "--disable-dev-shm-usage", *(["--no-sandbox"] if _is_root() else [])]
        browser = driver.chromium.launch(executable_path=path, args=options)
        yield browser
        browser.close()


def _is_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


def violations(page: Any, script: str) -> list[str]:
    """What axe finds on a page as it is now, every rule switched on that is on by default."""
    page.evaluate(script)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {one['help']} ({'; '.join(node['html'][:120] for node in one['nodes'][:3])})"
        for one in found["violations"]
    ]


def until(page: Any, condition: str, seconds: float = 20) -> None:
    """Wait until a condition holds; the page's policy forbids the driver's own way of asking."""
    from playwright.sync_api import Error  # noqa: PLC0415  # as below

    end = time.monotonic() + seconds
    while True:
        try:
            if page.evaluate(condition):
                return
        except Error as gone:
            if "context was destroyed" not in str(gone):  # the next page is coming
                raise
        assert time.monotonic() < end, condition
        page.wait_for_timeout(20)


MOST_STEPS = 50
STEPS = """one => {
    const stops = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, audio, [tabindex]')]
        .filter((other) => other === one || (other.tabIndex >= 0 && !other.disabled && other.checkVisibility()));
    const now = stops.findIndex((other) => other === document.activeElement
        || document.activeElement.compareDocumentPosition(other) & Node.DOCUMENT_POSITION_FOLLOWING);
    const sure = stops[now] === document.activeElement || document.activeElement === document.body ? 0 : 1;
    return stops.indexOf(one) - now + (document.activeElement === document.body ? 1 : 0) + sure;
}"""
"""How often Tab must be pressed to come to a place, by guess (negative: Shift-Tab); looked at again on arrival."""


@dataclass
class Hand:
    """How someone does what the page offers: with the mouse, with a finger, or by keyboard alone."""

    page: Any
    way: str
    watch: Watch

    def reach(self, where: Any) -> None:
        """By keyboard: to a place, with Tab or Shift-Tab alone."""
        where.wait_for()
        self.page.wait_for_load_state()  # scripts come last
        for _ in range(MOST_STEPS):
            if where.evaluate("one => one === document.activeElement"):
                return
            steps = where.evaluate(STEPS)
            for _ in range(max(1, abs(steps))):
                self.page.keyboard.press("Tab" if steps >= 0 else "Shift+Tab")
        raise AssertionError(f"the keyboard does not reach {where}")

    def press(self, where: Any, key: str = "Enter", *, force: bool = False) -> None:
        """A button, a link, a tick (`key` Space); `force` where a finger hits what lies over the place."""
        if self.way == "keys":
            self.reach(where)
            self.page.keyboard.press(key)
            return
        self.page.wait_for_load_state()
        if self.way == "touch":
            where.tap(force=force)
        else:
            where.click(force=force)

    def tick(self, where: Any) -> None:
        """A box to be ticked, or no longer."""
        self.press(where, "Space")

    def write(self, where: Any, text: str, *, after: bool = False) -> None:
        """Into a field, in place of what stands there, or after it."""
        if self.way == "keys":
            self.reach(where)
        else:
            self.press(where)
        self.page.keyboard.press("Control+End" if after else "Control+a")
        self.page.keyboard.type(text)

    def choose(self, where: Any, says: str) -> None:
        """One of a list, by the beginning of its words."""
        if self.way == "keys":
            self.reach(where)
            self.page.keyboard.type(says)
            return
        index = where.evaluate("(one, says) => [...one.options].findIndex((o) => o.text.startsWith(says))", says)
        assert index >= 0, says
        where.select_option(index=index)

    def go(self, steps: int) -> str:
        """By keyboard: through the music with the arrows; the id of where one is."""
        self.reach(self.page.locator("#score"))
        for _ in range(steps + 1):
            self.page.keyboard.press("ArrowRight")
        return str(self.page.evaluate("document.activeElement.id"))
