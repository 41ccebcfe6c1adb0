"""The poetic metre, counted from the words: syllables of each line, as hymn-books print it.

A hymn-book gives a tune's metre under its title so that texts can be changed among tunes: 8.7.8.7 D, CM, 7.7.7.7
with refrain. Where the page does not print it, it is counted from the lines and the syllables of the verses.

Conventions: a syllable counts once where it begins, also when it is sung to several notes; vowels joined by an
undertie are one syllable. Lines are counted as they are sung, so a repeated strain counts twice. Verses may differ
by a syllable here and there: the count that most verses share is given, and where no two thirds agree, Irregular.

References: names of metres after common practice in English-language hymnals (no source).
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

from undersong.model.text import Text, Verse
from undersong.model.tune import Tune, WalkedBar, walk

NAMES: dict[tuple[int, ...], str] = {(8, 6, 8, 6): "CM", (8, 8, 8, 8): "LM", (6, 6, 8, 6): "SM"}
"""Metres with a name: common, long and short."""
FEWEST_LINES = 2
MOST_SYLLABLES = 16
"""A longer line was not divided as the poet divided it."""
AGREEING = Fraction(2, 3)
"""Share of the verses that must have the same count."""


def poetic_metre(tune: Tune, text: Text) -> str:
    """The metre of a text under its tune; "" without words, or where the lines cannot be those of a poem."""
    if not text.verses or not tune.lines:
        return ""
    walked = walk(tune)
    counts = [_counts(tune, text, verse, walked) for verse in text.verses]
    if any(len(one) < FEWEST_LINES or max(one) > MOST_SYLLABLES for one in counts):
        return ""
    refrain = " with refrain" if text.refrain is not None else ""
    common, times = Counter(counts).most_common(1)[0]
    if times < AGREEING * len(counts):
        return f"Irregular{refrain}"
    return f"{metre_name(common)}{refrain}"


def metre_name(lines: Sequence[int]) -> str:
    """`8.7.8.7 D` for eight lines of two equal halves, `CM` where it has a name."""
    half = tuple(lines[: len(lines) // 2])
    if len(lines) >= 8 and len(lines) % 2 == 0 and tuple(lines[len(half) :]) == half:
        name = NAMES.get(half)
        return f"{name}D" if name else f"{'.'.join(map(str, half))} D"
    return NAMES.get(tuple(lines)) or ".".join(map(str, lines))


def _counts(tune: Tune, text: Text, verse: Verse, walked: Sequence[WalkedBar]) -> tuple[int, ...]:
    """Syllables of each line in the order of singing, the refrain left out."""
    starts = [line.onset for line in tune.lines]
    by_bar: dict[int, list[tuple[Fraction, int]]] = {}
    for one in verse.syllables:
        if text.refrain is None or not text.refrain[0] <= one.onset < text.refrain[1]:
            by_bar.setdefault(tune.bar_at(one.onset), []).append((one.onset, one.times))
    counts: list[int] = []
    before: tuple[int, Fraction] | None = None
    for step in walked:
        for onset, times in sorted(by_bar.get(step.index, ())):
            if times not in (0, step.times):
                continue
            line = bisect_right(starts, onset) - 1
            fresh = before is None or line != before[0] or onset <= before[1]
            if fresh:
                counts.append(0)
            counts[-1] += 1
            before = (line, onset)
    return tuple(counts)
