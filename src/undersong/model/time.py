"""Written time: time signatures, beats and pace.

Conventions: lengths and positions are `Fraction` quarter notes. Only `Pace.seconds` turns a length
to seconds; positions in seconds belong to `performing`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache


@dataclass(frozen=True, slots=True)
class Time:
    """A time signature; `free` stands for music without one (then `beats` is 0)."""

    beats: int
    unit: int

    def __str__(self) -> str:
        """`3/4`, or `free`."""
        return f"{self.beats}/{self.unit}" if self.beats else "free"

    @classmethod
    def parse(cls, text: str) -> Time:
        """Read `6/8` or `free`; ValueError otherwise."""
        if text == "free":
            return cls(0, 4)
        above, slash, below = text.partition("/")
        if not (slash and above.isdigit() and below.isdigit()):
            raise ValueError(f"{text!r} is not a time such as 3/4")
        return cls(int(above), int(below))

    @property
    def bar_length(self) -> Fraction:
        """Quarter notes in a full bar (0 in free time)."""
        return Fraction(4 * self.beats, self.unit)

    @property
    def compound(self) -> bool:
        """True where the beat is dotted: 6/8, 9/8, 12/8, 6/4 and their like."""
        return self.beats > 3 and self.beats % 3 == 0 and self.unit >= 4

    @property
    def beat(self) -> Fraction:
        """Length of one beat in quarter notes: dotted quarter in 6/8, half in 2/2."""
        return _beat(self.unit, self.compound)


@lru_cache(maxsize=64)
def _beat(unit: int, compound: bool) -> Fraction:
    return Fraction(12, unit) if compound else Fraction(4, unit)


def beat_of(time: Time, inside: Fraction, length: Fraction, *, pickup: bool) -> Fraction:
    """Beat (from 1) of a place `inside` a bar of that length; a pickup counts as the end of a full bar."""
    if pickup and time.beats:
        inside += time.bar_length - length
    return inside / time.beat + 1


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast: beats a minute, with the beat in quarter notes."""

    beats_per_minute: Fraction
    beat: Fraction

    def seconds(self, length: Fraction) -> float:
        """A length of written time in seconds."""
        return float(length / self.beat * 60 / self.beats_per_minute)
