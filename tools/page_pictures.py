"""Make the pictures of the page in the browser that docs/browser.md shows, from the demo hymns.

Usage: page_pictures.py [FOLDER], by default docs/browser. Needs the packages of the tests and a Chromium.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from browsing import browsing  # noqa: E402
from served import serving  # noqa: E402
from typing_out import EVENING, typed_out  # noqa: E402
from undersong.demo import hymn_files  # noqa: E402
from undersong.reading import read_file  # noqa: E402

DESK, TABLET = {"width": 1100, "height": 760}, {"width": 820, "height": 1000}
COLOURS = 24


def main() -> int:
    """Walk through the pages and keep what is seen."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "browser"
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as hymns, serving(Path(hymns)) as served, browsing() as browser:
        page = browser.new_context(base_url=served.url, viewport=DESK).new_page()
        hymn = bring(page, hymn_files()[0])
        page.goto(f"{hymn}?show=numerals&show=notes")
        page.locator("g.chord-symbol").nth(5).click()
        keep(page, folder / "hymn.png")
        page.set_viewport_size(TABLET)
        page.goto(f"{hymn}/plan")
        page.wait_for_selector("#row-3 svg.system")
        page.select_option("#texture-1", "strummed")
        page.wait_for_selector("#row-1 .told")
        keep(page, folder / "plan-tablet.png")
        page.set_viewport_size(DESK)
        typing(page, hymn_files()[0])
        page.locator("#slips-tenor").scroll_into_view_if_needed()
        page.mouse.wheel(0, 120)
        keep(page, folder / "typing.png")
        proposing(page)
        keep(page, folder / "proposed.png")
    return 0


def bring(page: Any, file: Path) -> str:
    """A hymn on the shelf; its address."""
    page.goto("/")
    page.set_input_files("#files", str(file))
    page.wait_for_url("**/understood")
    return str(page.url).rpartition("/")[0]


def typing(page: Any, file: Path) -> None:
    """A hymn half typed, with a slip."""
    typed = typed_out(read_file(file)[0].tune)
    page.goto("/")
    page.get_by_role("button", name="Type a hymn").click()
    page.wait_for_url("**/enter/*")
    page.select_option("[name=key]", typed.key)
    page.select_option("[name=time]", typed.time)
    for name, text in typed.voices[:3]:
        page.fill(f"#field-{name}", text if name != "tenor" else f"{text[:18]} h")
        page.wait_for_timeout(600)


def proposing(page: Any) -> None:
    """Tune, bass and symbols typed, alto and tenor in pencil."""
    page.goto("/")
    page.select_option("select[name=kind]", "propose")
    page.get_by_role("button", name="Type a hymn").click()
    page.wait_for_url("**/enter/*")
    page.fill("[name=title]", "Evening")
    page.select_option("[name=key]", "F major")
    page.select_option("[name=time]", "3/4")
    page.fill("[name=pickup]", "1")
    for name, text in EVENING.items():
        page.fill(f"#field-{name}", text)
    page.wait_for_selector("#preview g.note.proposed")
    page.wait_for_timeout(600)
    page.mouse.wheel(0, 60)


def keep(page: Any, path: Path) -> None:
    """What is seen, in few colours."""
    page.wait_for_load_state("networkidle")
    page.wait_for_timeout(300)
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB").quantize(COLOURS)
    picture.save(path, optimize=True)
    print(f"{path} {path.stat().st_size // 1024} KB")


if __name__ == "__main__":
    sys.exit(main())
