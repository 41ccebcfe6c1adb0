"""How long does she wait at the page? A texture changed on a four-verse hymn, and the first sound of a verse.

In the system's Chromium against `undersong open` on this machine: from choosing another texture of verse 3 until its
new page is drawn (the frame after the exchange), each time a texture that was not made before; beside it an empty
exchange in the same browser, the same way. Then from asking for a verse's sound until it can play. Median, worst.
Bars: 300 ms for the page, 2 s for the sound.

Usage: page.py [--json]
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import pytest

from browsing import DESKTOP, browsing
from served import serving
from undersong.demo import hymn_files
from undersong.textures.table import TEXTURES

PAGE_MS, SOUND_SECONDS = 300.0, 2.0
DRAWN = """([row, texture]) => new Promise((done) => {
    const begun = performance.now();
    const finish = () => requestAnimationFrame(() => setTimeout(() => done(performance.now() - begun), 0));
    document.body.addEventListener('htmx:afterSettle', finish, {once: true});
    const field = document.querySelector(`#texture-${row}`);
    field.value = texture;
    field.dispatchEvent(new Event('change', {bubbles: true}));
})"""
EMPTY = """() => new Promise((done) => {
    const begun = performance.now();
    const finish = () => requestAnimationFrame(() => setTimeout(() => done(performance.now() - begun), 0));
    document.body.addEventListener('htmx:afterSettle', finish, {once: true});
    htmx.ajax('GET', '/static/nothing.txt', {target: '#notice', swap: 'innerHTML'});
})"""
PLAYABLE = """() => new Promise((done) => {
    const sound = document.querySelector('#sound');
    const ready = () => done(performance.now());
    if (sound.readyState >= 3) ready(); else sound.addEventListener('canplay', ready, {once: true});
})"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    changed, empty, sounds = [], [], []
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder)) as served, browsing() as browser:
        page = browser.new_context(base_url=served.url, viewport=DESKTOP).new_page()
        for file in hymn_files()[:2]:
            page.goto("/")
            page.set_input_files("#files", str(file))
            page.wait_for_url("**/understood")
            hymn = page.url.rpartition("/")[0]
            page.goto(f"{hymn}/plan")
            while page.evaluate("document.querySelectorAll('section.waiting').length"):
                time.sleep(0.05)
            page.locator("#row-2").scroll_into_view_if_needed()
            now = page.input_value("#texture-2")
            for texture in [name for name in TEXTURES if name != now]:
                changed.append(page.evaluate(DRAWN, [2, texture]))
                empty.append(page.evaluate(EMPTY))
            for row in range(3):
                begun = time.monotonic()
                page.goto(f"{hymn}/listen?row={row}", wait_until="commit")
                page.wait_for_selector("#sound", state="attached")
                page.evaluate(PLAYABLE)
                sounds.append(time.monotonic() - begun)
    result = {
        "changed_ms": statistics.median(changed), "changed_worst_ms": max(changed), "changes": len(changed),
        "empty_ms": statistics.median(empty), "sound_seconds": statistics.median(sounds),
        "sound_worst_seconds": max(sounds), "first_sound_seconds": sounds[0],
    }  # fmt: skip
    if options.json:
        print(json.dumps(result))
    else:
        page_ms, worst = result["changed_ms"], result["changed_worst_ms"]
        print(
            f"a texture changed, page drawn: median {page_ms:.0f} ms, worst {worst:.0f} ms over {len(changed)} "
            f"(bar {PAGE_MS:.0f} median); an empty exchange: {result['empty_ms']:.0f} ms"
        )
        middle, worst = result["sound_seconds"], result["sound_worst_seconds"]
        print(f"a verse heard: first {sounds[0]:.2f} s (bar {SOUND_SECONDS:g}), median {middle:.2f}, worst {worst:.2f}")
    return int(result["changed_ms"] > PAGE_MS or sounds[0] > SOUND_SECONDS)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except pytest.skip.Exception as reason:
        sys.exit(f"not measured: {reason}")
