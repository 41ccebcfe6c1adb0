"""Words of a MIDI file: lyric events, or the text events of sing-along files.

Writers of such files mark words in three ways: a hyphen after a syllable that goes on, a space (or a new line)
where a word begins or ends, or nothing at all. Which it is shows in the whole file, not in one event.

Conventions: several syllables at one tick of one track are verses, in their order.

References: RP-017 (SMF lyric events: hyphens and spaces, line ends by line feed and paragraphs by carriage return);
sing-along files: `@` begins a remark, a backslash a new page, a slash a new line (common practice, no source).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from undersong.model.text import Hyphen
from undersong.reading.midi.events import Heard, Sung

LEAST_TEXTS = 8
"""So many text events at different ticks are words to be sung."""
MOST_VERSES = 12


@dataclass(frozen=True, slots=True)
class Syllable:
    """A syllable at a tick: its track, verse, text and place in its word."""

    tick: int
    track: int
    verse: int
    text: str
    hyphen: Hyphen


def find_syllables(heard: Heard) -> list[Syllable]:
    """The words of the file, by track, verse and tick."""
    events = heard.lyrics or _sing_along(heard.texts)
    rows: dict[tuple[int, int], list[Sung]] = {}
    seen: Counter[tuple[int, int]] = Counter()
    for event in sorted(events, key=lambda one: (one.track, one.tick)):
        if not event.text.strip():
            last = rows.get((event.track, 1))
            if last and event.text:
                last[-1] = Sung(last[-1].tick, last[-1].track, last[-1].text + " ")
            continue
        seen[event.track, event.tick] += 1
        verse = seen[event.track, event.tick]
        if verse <= MOST_VERSES:
            rows.setdefault((event.track, verse), []).append(event)
    return [one for (_, verse), row in sorted(rows.items()) for one in _joined(row, verse)]


def _sing_along(texts: Sequence[Sung]) -> list[Sung]:
    words = [one for one in texts if not one.text.startswith("@") and one.text.strip()]
    track, count = next(iter(Counter(one.track for one in words).most_common(1)), (0, 0))
    sung = [one for one in words if one.track == track]
    if count < LEAST_TEXTS or len({one.tick for one in sung}) < LEAST_TEXTS:
        return []
    return [Sung(one.tick, one.track, re.sub(r"^[\\/]+", " ", one.text)) for one in sung]


def _joined(row: Sequence[Sung], verse: int) -> list[Syllable]:
    spaced = sum(1 for one in row if one.text != one.text.strip()) >= max(2, len(row) // 5)
    hyphened = any(re.search(r"\S-\s*$", one.text) for one in row)
    found: list[Syllable] = []
    came = False
    for index, one in enumerate(row):
        text = one.text.strip()
        goes_on = False
        if len(text) > 1 and text.endswith("-"):
            text, goes_on = text.rstrip("-") or text, True
        elif spaced and not hyphened and index + 1 < len(row):
            goes_on = not (one.text[-1:].isspace() or row[index + 1].text[:1].isspace())
        if len(text) > 1 and text.startswith("-"):
            text = text.lstrip("-")
            came = True
        hyphen: Hyphen = ("middle" if goes_on else "end") if came else ("begin" if goes_on else "single")
        found.append(Syllable(one.tick, one.track, verse, text, hyphen))
        came = goes_on
    return found
