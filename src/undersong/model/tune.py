"""The tune as it stands on the page, and the walk through it.

Conventions: `onset` counts quarter notes along the page, every printed bar once, a pickup bar
starting at 0. `start` counts from the beginning of the section as it is sung. Bars are named by
their index in `Tune.bars`; their printed number is a string (pickup "0").
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.chord import Chord
from undersong.model.pitch import Interval, Key, Pitch
from undersong.model.time import Pace, Time, beat_of


@dataclass(frozen=True, slots=True)
class Bar:
    """One printed bar. `pickup` marks a bar that begins before its first beat."""

    number: str
    onset: Fraction
    length: Fraction
    time: Time
    key: Key
    pickup: bool = False
    double: bool = False

    @property
    def end(self) -> Fraction:
        """Where the bar ends along the page."""
        return self.onset + self.length

    def beat_of(self, onset: Fraction) -> Fraction:
        """Beat of a place in this bar, from 1, in beats; a pickup counts as the end of a full bar."""
        return beat_of(self.time, onset - self.onset, self.length, pickup=self.pickup)


@dataclass(frozen=True, slots=True)
class Note:
    """A printed note of one voice. `tied` means a tie leads from it to the next note."""

    onset: Fraction
    length: Fraction
    pitch: Pitch
    tied: bool = False
    grace: bool = False
    cue: bool = False

    @property
    def end(self) -> Fraction:
        """Where the note ends along the page."""
        return self.onset + self.length


@dataclass(frozen=True, slots=True)
class Voice:
    """One line of notes: soprano, alto, tenor, bass, or tune. Gaps between notes are rests."""

    name: str
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Symbol:
    """A printed chord symbol. `passes` names the times through that it serves; () is every time."""

    onset: Fraction
    chord: Chord
    text: str = ""
    passes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text with the music it carries, along the page."""

    onset: Fraction
    end: Fraction


@dataclass(frozen=True, slots=True)
class Passage:
    """Bars `first` to `last` (indexes, both included) sung through for the `times`-th time."""

    first: int
    last: int
    times: int = 1


@dataclass(frozen=True, slots=True)
class Repeat:
    """Repeat signs as printed, so that a clean copy can carry them: kind and bar index.

    Kinds: "forward", "backward" (`numbers` = how often), "ending-start", "ending-stop"
    (`numbers` = which endings), "segno", "coda", "fine", "dacapo", "dalsegno", "tocoda".
    """

    kind: str
    bar: int
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Tune:
    """Bars as printed, once each, with voices, symbols, lines, breaths, holds and the route."""

    bars: tuple[Bar, ...]
    voices: tuple[Voice, ...]
    melody: str
    symbols: tuple[Symbol, ...] = ()
    lines: tuple[Line, ...] = ()
    breaths: tuple[Fraction, ...] = ()
    """Onsets at which a breath mark stands (the end of the note before)."""
    holds: tuple[Fraction, ...] = ()
    """Onsets of tune notes under a fermata."""
    repeats: tuple[Repeat, ...] = ()
    route: tuple[Passage, ...] = ()
    pace: Pace | None = None
    mode: str | None = None
    """The church mode the source names, if it does ("dorian"); the signature alone does not tell it."""
    told_key: Key | None = None
    """The home key where she has told it; else it is found from the notes."""

    def voice(self, name: str) -> Voice | None:
        """The voice of that name."""
        return next((voice for voice in self.voices if voice.name == name), None)

    @property
    def tune_voice(self) -> Voice:
        """The voice that carries the tune."""
        found = self.voice(self.melody)
        return found if found is not None else self.voices[0]

    @property
    def four_parts(self) -> bool:
        """True when soprano, alto, tenor and bass are all printed."""
        return all(self.voice(name) for name in ("soprano", "alto", "tenor", "bass"))

    @property
    def length(self) -> Fraction:
        """Quarter notes along the page."""
        return self.bars[-1].end if self.bars else Fraction(0)

    def bar_at(self, onset: Fraction) -> int:
        """Index of the bar that holds a place along the page."""
        index = bisect_right(self.bars, onset, key=lambda bar: bar.onset) - 1
        return max(0, min(index, len(self.bars) - 1))

    def place(self, onset: Fraction) -> str:
        """`bar 7, beat 3`, as she would say it."""
        bar = self.bars[self.bar_at(onset)]
        return f"bar {bar.number}, beat {show_beat(bar.beat_of(onset))}"

    def transposed(self, interval: Interval) -> Tune:
        """The tune in another key, spelled by the interval."""
        return replace(
            self,
            bars=tuple(replace(bar, key=bar.key.transposed(interval)) for bar in self.bars),
            told_key=self.told_key.transposed(interval) if self.told_key is not None else None,
            voices=tuple(
                replace(
                    voice,
                    notes=tuple(replace(note, pitch=note.pitch.transposed(interval)) for note in voice.notes),
                )
                for voice in self.voices
            ),
            symbols=tuple(replace(symbol, chord=symbol.chord.transposed(interval), text="") for symbol in self.symbols),
        )


def show_beat(beat: Fraction) -> str:
    """A beat as an organist writes it: `3`, `2½`, else a fraction."""
    whole, rest = divmod(beat, 1)
    marks = {Fraction(0): "", Fraction(1, 2): "½", Fraction(1, 4): "¼", Fraction(3, 4): "¾", Fraction(1, 3): "⅓",
             Fraction(2, 3): "⅔"}  # fmt: skip
    return f"{whole}{marks[rest]}" if rest in marks else str(beat)


@dataclass(frozen=True, slots=True)
class WalkedBar:
    """A printed bar as it comes along the route: its index, which time through, and its start."""

    index: int
    times: int
    start: Fraction
    onset: Fraction
    length: Fraction

    def start_of(self, onset: Fraction) -> Fraction:
        """Section time of a place along the page inside this bar."""
        return self.start + onset - self.onset


def walk(tune: Tune) -> tuple[WalkedBar, ...]:
    """Every bar in the order it is sung; without a route, once along the page."""
    route = tune.route or (Passage(0, len(tune.bars) - 1),)
    walked, start = [], Fraction(0)
    for passage in route:
        for index in range(passage.first, passage.last + 1):
            bar = tune.bars[index]
            walked.append(WalkedBar(index, passage.times, start, bar.onset, bar.length))
            start += bar.length
    return tuple(walked)


@dataclass(frozen=True, slots=True)
class SungNote:
    """A note as it comes along the route: page place, time through, and start in the section."""

    note: Note
    bar: int
    times: int
    start: Fraction

    @property
    def end(self) -> Fraction:
        """Where it ends in the section."""
        return self.start + self.note.length


def sing(tune: Tune, notes: tuple[Note, ...], walked: tuple[WalkedBar, ...] | None = None) -> Iterator[SungNote]:
    """Walk the route and yield the notes of one voice in the order they sound (grace notes left out).

    `notes` are the voice's notes in the verse's rhythm (`Verse.notes_of`).
    """
    by_bar: dict[int, list[Note]] = {}
    for note in notes:
        if not note.grace:
            by_bar.setdefault(tune.bar_at(note.onset), []).append(note)
    for step in walked if walked is not None else walk(tune):
        for note in by_bar.get(step.index, ()):
            yield SungNote(note, step.index, step.times, step.start_of(note.onset))
