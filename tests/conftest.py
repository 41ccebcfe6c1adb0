"""What the tests share."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest

if TYPE_CHECKING:
    from served import Served

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared"


@pytest.fixture
def shared() -> Path:
    """The folder of open data beside the repository; the test is skipped without it."""
    if not SHARED.is_dir():
        pytest.skip("the folder ../shared with analysed hymns and folk tunes is not here")
    return SHARED


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The page in the browser, served from an empty folder of hymns."""
    from served import serving  # noqa: PLC0415  # it takes ROOT from here

    with serving(tmp_path_factory.mktemp("hymns")) as running:
        yield running


@pytest.fixture
def client(served: Served) -> Iterator[httpx.Client]:
    """Asks the served page without a browser."""
    with served.client() as asking:
        yield asking


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser."""
    from browsing import browsing  # noqa: PLC0415  # only where a browser is wanted

    with browsing() as opened:
        yield opened


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where UNDERSONG_NO_SKIP is set, as in continuous integration, a skipped test has failed."""
    report = yield
    if os.environ.get("UNDERSONG_NO_SKIP") and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which is not allowed here: {report.longrepr}"
    return report
