"""How dear is it to lay out a verse, beside what a general library needs to read the same hymn?

Ours: one verse laid out, checked and mended in one texture (`arrange`), the hymn read and its harmony known. Theirs:
music21's parse, chordify and analyze("key") of the same hymn. In one process, both warmed, the best of three runs;
what was kept of the verse is forgotten before each. The median over hymns and textures, on the first chorales that
music21 carries. Also 32 verses, the textures in turn, beside one of them on average. Bars: 1.5 times, and 34 times one
verse.

Usage: layout.py [--hymns 20] [--json]
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
from dataclasses import replace
from itertools import cycle
from pathlib import Path

from harmony import best, chorales_as_files

RATIO, MANY, MANY_RATIO = 1.5, 32, 34.0


def theirs(path: Path) -> None:
    """Parsed, as chords, and in a key."""
    from music21 import converter

    score = converter.parse(str(path), forceSource=True)
    score.chordify()
    score.analyze("key")


def forget() -> None:
    """Empty what the arranging of a verse keeps, so that no run is served by the one before."""
    rooms = tuple(f"undersong.{name}" for name in ("arranging", "textures", "model", "playing"))
    for module in [module for name, module in sys.modules.items() if name.startswith(rooms)]:
        for value in vars(module).values():
            if callable(clear := getattr(value, "cache_clear", None)):
                clear()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hymns", type=int, default=20)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    from undersong.arranging import arrange
    from undersong.harmony import analyse
    from undersong.model.harmony import Harmony
    from undersong.model.hymn import Hymn
    from undersong.model.organ import TWO_MANUALS
    from undersong.model.plan import Plan, VersePlan
    from undersong.model.player import MEDIUM
    from undersong.model.text import Verse
    from undersong.textures.table import TEXTURES
    from undersong.workflow import read

    def seconds(hymn: Hymn, harmony: Harmony, *textures: str) -> float:
        """A verse in each of these textures."""
        words = tuple(Verse(number) for number in range(1, len(textures) + 1))
        whole = replace(hymn, text=replace(hymn.text, verses=words))
        plan = Plan(tuple(VersePlan(verse.number, texture) for verse, texture in zip(words, textures, strict=True)))
        arrange(whole, harmony, plan, TWO_MANUALS, MEDIUM)
        return best(lambda: arrange(whole, harmony, plan, TWO_MANUALS, MEDIUM), before=forget)

    rows: dict[str, list[float]] = {texture: [] for texture in TEXTURES}
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(one) for one in chorales_as_files(Path(folder), options.hymns)]
        theirs(paths[0])
        for count, path in enumerate(paths, 1):
            other = best(lambda path=path: theirs(path))
            hymn = read(path)[0]
            harmony = analyse(hymn)
            for texture, ratios in rows.items():
                ratios.append(seconds(hymn, harmony, texture) / other)
            if sys.stderr.isatty():
                print(f"\r{count} of {len(paths)} hymns", end="", file=sys.stderr, flush=True)
        turn = [texture for texture, _ in zip(cycle(TEXTURES), range(MANY), strict=False)]
        one = {texture: seconds(hymn, harmony, texture) for texture in TEXTURES}
        many = seconds(hymn, harmony, *turn) / statistics.mean(one[texture] for texture in turn)
    ratio = statistics.median(one for ratios in rows.values() for one in ratios)
    result = {
        "hymns": len(paths), "ratio": round(ratio, 2),
        "by_texture": {texture: round(statistics.median(ratios), 2) for texture, ratios in rows.items()},
        "largest": round(max(one for ratios in rows.values() for one in ratios), 2),
        "many_verses": round(many, 1),
    }  # fmt: skip
    if options.json:
        print(json.dumps(result))
    else:
        dearest = max(rows, key=lambda texture: statistics.median(rows[texture]))
        print(f"{len(paths)} hymns, {len(rows)} textures   one verse: ratio {ratio:.2f} (bar {RATIO}), {dearest} "
              f"{statistics.median(rows[dearest]):.2f}, largest {result['largest']}   {MANY} verses: {many:.1f} times "
              f"one (bar {MANY_RATIO:.0f})")  # fmt: skip
    return 0 if ratio <= RATIO and many <= MANY_RATIO else 1


if __name__ == "__main__":
    sys.exit(main())
