"""What the tests share."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared"


@pytest.fixture
def shared() -> Path:
    """The folder of open data beside the repository; the test is skipped without it."""
    if not SHARED.is_dir():
        pytest.skip("the folder ../shared with analysed hymns and folk tunes is not here")
    return SHARED


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where UNDERSONG_NO_SKIP is set, as in continuous integration, a skipped test has failed."""
    report = yield
    if os.environ.get("UNDERSONG_NO_SKIP") and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which is not allowed here: {report.longrepr}"
    return report
