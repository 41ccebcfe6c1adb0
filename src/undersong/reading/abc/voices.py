"""One voice of an ABC tune while it is being read: the bar that is open, what waits for the next note.

Conventions: `at` counts quarter notes from the beginning of the open bar. Notes stay changeable until the end, since
`>` shortens and `-` ties the note before it and words are set under a whole line at once.

References: ABC standard 2.1, sections 4.2 to 4.20, 7 (voices), 11.3 (how far an accidental holds).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction

from undersong.model.pitch import Interval, Pitch
from undersong.model.time import Time
from undersong.reading.abc.fields import KeyField, Options
from undersong.reading.raw import (
    RawBar,
    RawBarline,
    RawClef,
    RawDirection,
    RawHarmony,
    RawKey,
    RawLyric,
    RawNote,
    RawTime,
)

Names = tuple[str, int]
"""A letter and its octave."""


@dataclass(slots=True)
class OpenBar:
    """A bar that is being filled."""

    line: int
    time: Time
    extent: Fraction = Fraction(0)
    notes: list[RawNote] = field(default_factory=list)
    harmonies: list[RawHarmony] = field(default_factory=list)
    barlines: list[RawBarline] = field(default_factory=list)
    directions: list[RawDirection] = field(default_factory=list)
    keys: list[RawKey] = field(default_factory=list)
    times: list[RawTime] = field(default_factory=list)
    clefs: list[RawClef] = field(default_factory=list)
    breaks: list[Fraction] = field(default_factory=list)
    """Places where the line of music ends."""
    words: dict[int, list[RawLyric]] = field(default_factory=dict)
    """Syllables by the index of their note."""

    @property
    def filled(self) -> bool:
        """True when it holds notes or rests."""
        return bool(self.notes)

    def closed(self, number: str, index: int, *, implicit: bool) -> RawBar:
        """The bar as the raw types have it, with its number and index."""
        notes = tuple(
            replace(note, bar=index, lyrics=tuple(self.words.get(place, ()))) for place, note in enumerate(self.notes)
        )
        harmonies = tuple(replace(one, bar=index) for one in self.harmonies)
        return RawBar(
            number,
            implicit,
            self.extent,
            notes,
            harmonies,
            tuple(self.barlines),
            tuple(self.directions),
            tuple(self.keys),
            tuple(self.times),
            tuple(self.clefs),
        )


@dataclass(slots=True)
class Waiting:
    """What was written before a note and belongs to it."""

    symbols: list[tuple[str, int]] = field(default_factory=list)
    decorations: list[str] = field(default_factory=list)
    forward: bool = False
    ending: tuple[int, ...] = ()
    style: str = ""


@dataclass(slots=True)
class Tuplet:
    """A tuplet that is open: by how much notes are changed, and for how many more."""

    factor: Fraction = Fraction(1)
    left: int = 0


@dataclass(slots=True)
class OpenVoice:
    """A voice with its bars and its state."""

    id: str
    unit: Fraction
    time: Time
    key: KeyField
    options: Options = field(default_factory=Options)
    bars: list[OpenBar] = field(default_factory=list)
    at: Fraction = Fraction(0)
    layer: int = 1
    accidentals: dict[Names, int] = field(default_factory=dict)
    ties: dict[Names, Pitch] = field(default_factory=dict)
    """Written pitches from which a tie leads on."""
    last: range = range(0)
    """Indexes, in the open bar, of the note, chord or rest before."""
    last_bar: int = 0
    broken: Fraction = Fraction(1)
    tuplet: Tuplet = field(default_factory=Tuplet)
    waiting: Waiting = field(default_factory=Waiting)
    ending: tuple[int, ...] = ()
    slots: list[tuple[int, int]] = field(default_factory=list)
    """Bar and note of every note that may carry a syllable."""
    worded: int = 0
    """How many slots stand before the words now being read."""
    line_start: int = 0
    """How many slots stood before the last line of music."""
    grace: bool = False
    chord: list[RawNote] | None = None
    chord_length: Fraction = Fraction(0)

    @property
    def octave(self) -> int:
        """Octaves up, by clef or octave=."""
        own = self.options.octave
        return own if own is not None else self.key.options.octave or 0

    @property
    def transposition(self) -> int:
        """Semitones up, by transpose=."""
        own = self.options.transpose
        return own if own is not None else self.key.options.transpose or 0

    @property
    def clef(self) -> tuple[str, str] | None:
        """Sign and line of the clef, if one is given."""
        return self.options.clef or self.key.options.clef

    @property
    def bar(self) -> OpenBar:
        """The bar that is open."""
        return self.bars[-1]

    def interval(self) -> Interval:
        """The transposition as a spelled interval."""
        octaves, rest = divmod(self.transposition, 12)
        steps = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)[rest]
        return Interval(steps + 7 * octaves, rest + 12 * octaves)
