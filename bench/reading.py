"""Is reading linear? A hymn of 1,000 bars beside one of 500, one of 200 verses beside one of 100.

The musical problem: nobody prints such hymns, but a file may hold a whole service or every verse of a long ballad,
and time that grows with the square of it would look like a hung program.

Conventions: seconds of the processor of `read_musicxml` on pages made here (four parts in closed score; a melody with
verses), the best of three. Linear reading doubles its time: the ratio is about 2.

Run as `python bench/reading.py`; ends with 1 where a ratio is above 3.
"""

from __future__ import annotations

import sys
import time
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from printed import Printed, page
from undersong.model.hymn import Hymn
from undersong.reading.musicxml import read_musicxml
from undersong.writing.hymnfile import hymn_file

MOST_RATIO = 3.0


def long_hymn(bars: int) -> bytes:
    """Four parts in closed score, a dotted minim every fourth bar."""
    upper = ["C5:1 D5:1 E5:1 F5:1 & G4:1 G4:1 C5:1 A4:1", "E5:1 D5:1 C5:2 & C5:1 B4:1 C5:2"]
    lower = ["E4:1 D4:1 G4:1 F4:1 & C3:1 B2:1 C3:1 F3:1", "G4:1 G4:1 E4:2 & G3:1 G2:1 C3:2"]
    music = [" | ".join(rows[bar % 2] for bar in range(bars)) for rows in (upper, lower)]
    return page(Printed("", f"(time=4/4) {music[0]}"), Printed("", f"(time=4/4) {music[1]}", clefs="F"))


def many_verses(verses: int) -> bytes:
    """A melody of eight bars under many lines of words."""
    music = "(time=4/4) " + " | ".join(["C5:1 D5:1 E5:1 F5:1", "E5:1 D5:1 C5:2"] * 4)
    line = "Lo, lo lo lo lo lo lo, " * 4
    return page(Printed("", music, (line.strip(),) * verses))


def seconds(data: bytes) -> tuple[float, float, Hymn]:
    """The best of three readings and writings."""
    best, written, hymn = 1e9, 1e9, None
    for _ in range(3):
        start = time.process_time()
        hymn = read_musicxml(data)
        middle = time.process_time()
        hymn_file(hymn)
        best, written = min(best, middle - start), min(written, time.process_time() - middle)
    assert hymn is not None
    return best, written, hymn


def main() -> int:
    """Measure both and print the ratios."""
    good = True
    for what, make, small in (("bars", long_hymn, 500), ("verses", many_verses, 100)):
        few, many = seconds(make(small)), seconds(make(2 * small))
        assert many[2].tune.length >= few[2].tune.length > Fraction(0)
        for name, one, two in (("read", few[0], many[0]), ("written", few[1], many[1])):
            print(f"{name}: {small} {what} {one:.3f} s, {2 * small} {what} {two:.3f} s, ratio {two / one:.2f}")
            good &= two / one <= MOST_RATIO
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
