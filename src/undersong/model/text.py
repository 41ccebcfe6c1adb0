"""The words: verses with their syllables, and how a verse may bend the rhythm of the tune."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from undersong.model.tune import Note

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

    @property
    def first_words(self) -> str:
        """The beginning of the verse as running text, up to five words."""
        words, open_word = [], ""
        for syllable in sorted(self.syllables, key=lambda one: (one.times > 1, one.onset)):
            open_word += syllable.text
            if syllable.hyphen in ("single", "end"):
                words.append(open_word)
                open_word = ""
            if len(words) == 5:
                break
        return " ".join(words)


@dataclass(frozen=True, slots=True)
class Text:
    """All verses of a hymn with what is known of the words. `refrain` is where the refrain lies."""

    verses: tuple[Verse, ...] = ()
    metre: str = ""
    author: str = ""
    translator: str = ""
    rights: str = ""
    refrain: tuple[Fraction, Fraction] | None = None
