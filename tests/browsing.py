"""A real browser for tests: the system's Chromium, watched for whatever a page should not do."""

from __future__ import annotations

import os
import shutil
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
