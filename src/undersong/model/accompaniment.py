"""A section laid out for hands and feet, in written time.

Conventions: `start` counts quarter notes from the beginning of the section. A `PlayedNote` never
crosses a bar line; what sounds on is tied. Accompaniments never contain repeats.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from undersong.model.chord import Chord
from undersong.model.finding import Finding
from undersong.model.kept import begun_at, kept
from undersong.model.pitch import Key, Pitch
from undersong.model.plan import Plan
from undersong.model.text import Hyphen
from undersong.model.time import Pace, Time, beat_of

Limb = Literal["right hand", "left hand", "right foot", "left foot", "feet"]
Tie = Literal["start", "stop", "both"]
SectionKind = Literal["introduction", "verse", "interlude", "amen"]
SECTION_NAMES: dict[SectionKind, str] = {
    "introduction": "Introduction", "verse": "Verse", "interlude": "Interlude", "amen": "Amen",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlacedBar:
    """A bar as it is played: its printed number, time through, start and length."""

    number: str
    times: int
    start: Fraction
    length: Fraction
    time: Time
    key: Key
    pickup: bool = False
    double: bool = False

    @property
    def end(self) -> Fraction:
        """Where the bar ends in the section."""
        return self.start + self.length

    def beat_of(self, start: Fraction) -> Fraction:
        """Beat of a place in this bar, from 1; a pickup counts as the end of a full bar."""
        return beat_of(self.time, start - self.start, self.length, pickup=self.pickup)


@kept(32)
def beats_of(bars: tuple[PlacedBar, ...]) -> tuple[Fraction, ...]:
    """Every beat of a section in order; a pickup's beats are counted from its end."""
    found = []
    for bar in bars:
        beat, place = bar.time.beat, bar.start
        if bar.pickup and bar.time.beats and bar.length % beat:
            found.append(place)
            place += bar.length % beat
        while place < bar.end:
            found.append(place)
            place += beat
    return tuple(found)


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """One written note. `source` names the printed voice it comes from ("soprano", "" for none).

    `shared` names other printed voices that meet it in unison on the same key.
    """

    id: str
    part: str
    start: Fraction
    length: Fraction
    pitch: Pitch
    limb: Limb
    division: str
    tie: Tie | None = None
    source: str = ""
    shared: tuple[str, ...] = ()
    finger: str = ""
    mark: str = ""
    """A word for the page about this note: "changed here", or the hand it was given to."""

    @property
    def end(self) -> Fraction:
        """Where it ends in the section."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class PlacedChord:
    """A chord of the section."""

    start: Fraction
    length: Fraction
    chord: Chord
    doubtful: bool = False
    """Whether it was read or proposed without much confidence (`ChordSpan.doubtful`)."""

    @property
    def end(self) -> Fraction:
        """Where it ends in the section."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class PlacedLine:
    """A line of text in the section."""

    start: Fraction
    end: Fraction


@dataclass(frozen=True, slots=True)
class Word:
    """A syllable at a tune note of the section."""

    start: Fraction
    text: str
    hyphen: Hyphen = "single"
    extend: bool = False


@dataclass(frozen=True, slots=True)
class Registration:
    """Stops for each limb, in two ways of saying it: generic and actual."""

    generic: str = ""
    actual: tuple[tuple[str, str], ...] = ()
    """Pairs of division and stops."""
    drawn: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Each division that sounds with the names of its stops, those of coupled divisions as "Swell: Oboe 8"."""
    loudness: int = 0
    """Step of the build-up, 1 soft flutes to 5 full; 0 where it is not known."""


@dataclass(frozen=True, slots=True)
class Accompaniment:
    """A section as it is to be played."""

    id: str
    kind: SectionKind
    verse: int | None
    texture: str
    version: int
    title: str
    """A name of its own; empty for the usual one."""
    key: Key
    pace: Pace
    bars: tuple[PlacedBar, ...]
    notes: tuple[PlayedNote, ...]
    chords: tuple[PlacedChord, ...] = ()
    lines: tuple[PlacedLine, ...] = ()
    breaths: tuple[Fraction, ...] = ()
    holds: tuple[Fraction, ...] = ()
    words: tuple[Word, ...] = ()
    registration: Registration = Registration()
    right: str = ""
    left: str = ""
    feet: str = ""
    tune: str = "at-pitch"

    @property
    def name(self) -> str:
        """What she calls it: `Verse 2`, `Introduction`; `Tune` where there are no words."""
        if self.title:
            return self.title
        if self.kind == "verse":
            return f"{SECTION_NAMES[self.kind]} {self.verse}" if self.verse is not None else "Tune"
        return SECTION_NAMES[self.kind]

    @property
    def length(self) -> Fraction:
        """Quarter notes of the section."""
        return self.bars[-1].end if self.bars else Fraction(0)

    def bar_at(self, start: Fraction) -> PlacedBar:
        """The bar that holds a place of the section."""
        return self.bars[max(0, begun_at(self.bars, start) - 1)]


@dataclass(frozen=True, slots=True)
class Arrangement:
    """A whole hymn laid out: its plan, sections and findings."""

    title: str
    tune_name: str
    metre: str
    key: Key
    plan: Plan
    sections: tuple[Accompaniment, ...]
    findings: tuple[Finding, ...] = ()
    credits: tuple[str, ...] = ()
    rights: str = ""
    mode: str | None = None
