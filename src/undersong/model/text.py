"""The words: verses with their syllables, and how a verse may bend the rhythm of the tune."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from undersong.model.tune import Line, Note

Hyphen = Literal["single", "begin", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Syllable:
    """A syllable under the tune note at `onset`; `times` is the time through (0: every time)."""

    onset: Fraction
    text: str
    hyphen: Hyphen = "single"
    extend: bool = False
    times: int = 0


@dataclass(frozen=True, slots=True)
class VerseRhythm:
    """A passage that one verse sings in another rhythm: these notes stand for those from onset to end."""

    voice: str
    onset: Fraction
    end: Fraction
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Verse:
    """One stanza. `number` is the printed one."""

    number: int
    syllables: tuple[Syllable, ...] = ()
    rhythms: tuple[VerseRhythm, ...] = ()

    def notes_of(self, voice: str, printed: tuple[Note, ...]) -> tuple[Note, ...]:
        """A voice's notes in this verse's rhythm."""
        notes = printed
        for rhythm in self.rhythms:
            if rhythm.voice == voice:
                kept = [note for note in notes if note.end <= rhythm.onset or note.onset >= rhythm.end]
                notes = tuple(sorted([*kept, *rhythm.notes], key=lambda note: note.onset))
        return notes

    def first_words(self, lines: Sequence[Line]) -> str:
        """The beginning of the verse as running text, within the first of its tune's lines that has words."""
        sung = sorted(self.syllables, key=lambda one: (one.times > 1, one.onset))
        return opening([(one.onset, one.text, one.hyphen) for one in sung], [line.onset for line in lines])[0]


MOST_WORDS = 6
"""Of a verse, to know it by."""
STOPS = (",", ";", ":", ".", "!", "?")


def opening(syllables: Iterable[tuple[Fraction, str, Hyphen]], starts: Sequence[Fraction]) -> tuple[str, bool]:
    """The first words of a verse, and whether more follow.

    They end with the line of text (`starts`: where the tune's lines begin), with a stop after three words or more where
    no lines are known, or after a few words, without the sign that stood behind the last one.
    """
    words, open_word, end = list[str](), "", None
    for onset, text, hyphen in syllables:
        if end is None:
            end = next((start for start in starts if start > onset), None)
        stopped = not end and len(words) >= 3 and words[-1].endswith(STOPS)
        if not open_word and words and (len(words) == MOST_WORDS or stopped or (end is not None and onset >= end)):
            return " ".join(words).rstrip(",;:"), True
        open_word += text
        if hyphen in ("single", "end"):
            words.append(open_word)
            open_word = ""
    return " ".join(words), False


@dataclass(frozen=True, slots=True)
class Text:
    """All verses of a hymn with what is known of the words. `refrain` is where the refrain lies."""

    verses: tuple[Verse, ...] = ()
    metre: str = ""
    author: str = ""
    translator: str = ""
    rights: str = ""
    refrain: tuple[Fraction, Fraction] | None = None
