"""Pitches and keys, always spelled.

Conventions: steps are letters, alterations whole semitones, octaves counted so that C4 is middle C
and MIDI note 60. Printed form as in `F#4`, `Bb3`, `Ebb5`; names without octave `F#`, `Bb`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

STEPS = "CDEFGAB"
SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
LINE_OF_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
"""Place on the line of fifths, C = 0; a sharp adds seven, a flat takes seven away."""

_NAME = re.compile(r"([A-G])(#{0,3}|b{0,3})")
_PITCH = re.compile(r"([A-G])(#{0,3}|b{0,3})(-?\d+)")


def signs(alter: int) -> str:
    """Sharps or flats as letters: `##`, `b`, or nothing."""
    return "#" * alter if alter > 0 else "b" * -alter


@dataclass(frozen=True, slots=True, order=True)
class PitchName:
    """A pitch without its octave: `PitchName("F", 1)` is F sharp."""

    step: str
    alter: int = 0

    def __str__(self) -> str:
        """`F#`, `Bb`, `Ebb`."""
        return self.step + signs(self.alter)

    @classmethod
    def parse(cls, text: str) -> PitchName:
        """Read `F#`; ValueError for anything else."""
        found = _NAME.fullmatch(text)
        if not found:
            raise ValueError(f"{text!r} is not a pitch name such as F# or Bb")
        return cls(found[1], found[2].count("#") - found[2].count("b"))

    @property
    def pitch_class(self) -> int:
        """0 for C to 11 for B."""
        return (SEMITONES[self.step] + self.alter) % 12

    @property
    def fifths(self) -> int:
        """Place on the line of fifths, C = 0, G = 1, F = -1."""
        return LINE_OF_FIFTHS[self.step] + 7 * self.alter

    @classmethod
    def from_fifths(cls, fifths: int) -> PitchName:
        """The name at a place on the line of fifths."""
        alter, index = divmod(fifths + 1, 7)
        return cls("FCGDAEB"[index], alter)

    def up(self, steps: int, semitones: int) -> PitchName:
        """The name so many scale steps and semitones higher (a third is 2 steps, 3 or 4 semitones)."""
        step = STEPS[(STEPS.index(self.step) + steps) % 7]
        alter = (self.pitch_class + semitones - SEMITONES[step] + 6) % 12 - 6
        return PitchName(step, alter)

    def transposed(self, interval: Interval) -> PitchName:
        """The name moved by an interval."""
        return self.up(interval.steps, interval.semitones)


@dataclass(frozen=True, slots=True)
class Interval:
    """A spelled interval: scale steps and semitones, both negative downwards."""

    steps: int = 0
    semitones: int = 0

    def __neg__(self) -> Interval:
        """The same interval the other way."""
        return Interval(-self.steps, -self.semitones)


@lru_cache(maxsize=256)
def _named(step: str, alter: int) -> PitchName:
    return PitchName(step, alter)


UNISON = Interval()
"""Nothing moved."""


@dataclass(frozen=True, slots=True)
class Pitch:
    """A spelled pitch."""

    step: str
    alter: int
    octave: int

    def __str__(self) -> str:
        """`F#4`."""
        return f"{self.step}{signs(self.alter)}{self.octave}"

    @classmethod
    def parse(cls, text: str) -> Pitch:
        """Read `F#4`; ValueError for anything else."""
        found = _PITCH.fullmatch(text)
        if not found:
            raise ValueError(f"{text!r} is not a pitch such as F#4 or Bb3")
        return cls(found[1], found[2].count("#") - found[2].count("b"), int(found[3]))

    @property
    def name(self) -> PitchName:
        """The pitch without its octave."""
        return _named(self.step, self.alter)

    @property
    def midi(self) -> int:
        """The MIDI note number, C4 = 60 (MIDI 1.0; table in the tests)."""
        return 12 * (self.octave + 1) + SEMITONES[self.step] + self.alter

    @property
    def diatonic(self) -> int:
        """Staff places counted from C0."""
        return 7 * self.octave + STEPS.index(self.step)

    def transposed(self, interval: Interval) -> Pitch:
        """The pitch moved by an interval; spelling follows the interval."""
        place = self.diatonic + interval.steps
        octave, index = divmod(place, 7)
        step = STEPS[index]
        alter = self.midi + interval.semitones - (12 * (octave + 1) + SEMITONES[step])
        return Pitch(step, alter, octave)

    def octaves_up(self, count: int) -> Pitch:
        """The same pitch some octaves higher."""
        return Pitch(self.step, self.alter, self.octave + count)

    @classmethod
    def of(cls, name: PitchName, midi: int) -> Pitch:
        """The pitch of that name at a MIDI number; ValueError if they disagree."""
        octave, rest = divmod(midi - SEMITONES[name.step] - name.alter, 12)
        if rest:
            raise ValueError(f"{name} is not at note number {midi}")
        return cls(name.step, name.alter, octave - 1)


def frequency(midi: float, a4_hz: float = 440.0) -> float:
    """Equal-tempered frequency in hertz of a note number (f = 440 x 2^((m-69)/12))."""
    return float(a4_hz * 2.0 ** ((midi - 69) / 12))


Mode = Literal["major", "minor"]

MINOR_LIKE = ("dorian", "phrygian", "aeolian", "locrian")
"""Church modes whose third is minor: their signature is that of a minor key (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Key:
    """A tonic and major or minor. A church mode is named beside it, never in it."""

    tonic: PitchName
    mode: Mode = "major"

    def __str__(self) -> str:
        """`F# minor`."""
        return f"{self.tonic} {self.mode}"

    @classmethod
    def parse(cls, text: str) -> Key:
        """Read `D minor`, `Bb major`, and the short `Bb`, `Dm`; ValueError otherwise."""
        words = text.split()
        if len(words) == 1 and words[0].endswith("m"):
            return cls(PitchName.parse(words[0][:-1]), "minor")
        if len(words) == 1:
            return cls(PitchName.parse(words[0]))
        if len(words) == 2 and words[1] == "major":
            return cls(PitchName.parse(words[0]), "major")
        if len(words) == 2 and words[1] == "minor":
            return cls(PitchName.parse(words[0]), "minor")
        raise ValueError(f"{text!r} is not a key such as D minor")

    @property
    def fifths(self) -> int:
        """Sharps (positive) or flats (negative) in the signature."""
        return self.tonic.fifths - (3 if self.mode == "minor" else 0)

    @classmethod
    def from_fifths(cls, fifths: int, mode: Mode = "major") -> Key:
        """The key with that signature."""
        return cls(PitchName.from_fifths(fifths + (3 if mode == "minor" else 0)), mode)

    def transposed(self, interval: Interval) -> Key:
        """The key moved by an interval."""
        return Key(self.tonic.transposed(interval), self.mode)

    @property
    def leading_note(self) -> PitchName:
        """The raised seventh degree."""
        return self.tonic.up(6, 11)


def key_words(key: Key, mode: str | None = None) -> str:
    """`B flat major`; a church mode, if one is named, instead of major or minor: `E phrygian`."""
    signs = {-2: " double flat", -1: " flat", 0: "", 1: " sharp", 2: " double sharp"}
    return f"{key.tonic.step}{signs[key.tonic.alter]} {mode or key.mode}"


def interval_for(key: Key, semitones: int) -> Interval:
    """The spelled interval that moves `key` by semitones to the key with the plainest signature.

    D flat is preferred to C sharp, F sharp to G flat, but E flat minor to D sharp minor (as hymnals
    print them: common practice, no source).
    """
    octaves, rest = divmod(semitones, 12)
    choices = []
    for steps in range(7):
        tonic = key.tonic.up(steps, rest)
        if abs(tonic.alter) <= 1:
            fifths = Key(tonic, key.mode).fifths
            choices.append((abs(fifths), (fifths < 0) == (key.mode == "major"), steps))
    steps = min(choices)[2]
    if rest == 0:
        steps = 0
    elif steps == 0 and rest > 6:
        steps = 7  # D to the D flat above is an octave, not a unison
    return Interval(steps + 7 * octaves, semitones)
