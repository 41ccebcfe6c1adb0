"""Organs: divisions with their keys and stops. Invented examples, common practice, no source.

The manuals have 61 keys (C to c4, as in the AGO console standard), the pedal 30 (BDO).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Literal

Family = Literal["principal", "flute", "string", "reed", "mixture", "mutation"]
State = Literal["sound", "dull", "dead"]

UNISON_FEET = 8

ROUNDED_FEET = {
    Fraction(12): Fraction(32, 3), Fraction(6): Fraction(16, 3), Fraction(3): Fraction(8, 3),
    Fraction(3, 2): Fraction(4, 3),
}  # fmt: skip
"""Lengths of quints as old knobs round them, and what they mean (common practice, no source)."""


@lru_cache(maxsize=1024)
def feet_of(text: str) -> Fraction:
    """A length such as `8`, `2 2/3` or `1.6` as a fraction of feet; ValueError otherwise.

    >>> feet_of("2 2/3")
    Fraction(8, 3)
    """
    parts = text.replace("'", "").replace("’", "").split()
    if not 1 <= len(parts) <= 2:
        raise ValueError(f"{text!r} is not a length such as 8 or 2 2/3")
    try:
        feet = sum((Fraction(part) for part in parts), Fraction(0))
    except (ValueError, ZeroDivisionError):
        raise ValueError(f"{text!r} is not a length such as 8 or 2 2/3") from None
    if not Fraction(1, 8) <= feet <= 64:
        raise ValueError(f"{text!r} is not a length of organ pipes (1/8 to 64 feet)")
    return feet


def show_feet(feet: Fraction) -> str:
    """`2 2/3` for eight thirds."""
    whole, rest = divmod(feet, 1)
    return f"{whole} {rest}" if whole and rest else str(rest or whole)


@dataclass(frozen=True, slots=True)
class Break:
    """From the key of this number upwards a mixture has these ranks, each by its length in feet."""

    from_key: int
    ranks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop: its name on the knob, length in feet as printed ("8", "2 2/3"), family, level 1 to 5.

    `lowest` and `highest` are the first and last key it speaks on, 0 where it goes as far as the keys;
    `breaks` tells the ranks of a mixture where they are known, `slopes` the two lines of its spectrum as they were
    heard (dB an octave, harmonic of the break, dB an octave, dB that
    even harmonics lie higher).
    """

    name: str
    feet: str
    family: Family
    variety: str = ""
    level: int = 3
    state: State = "sound"
    lowest: int = 0
    highest: int = 0
    breaks: tuple[Break, ...] = ()
    slopes: tuple[float, ...] = ()

    def __str__(self) -> str:
        """As on a stop list: `Oboe 8`, `Mixture III`."""
        return self.name if self.family == "mixture" else f"{self.name} {self.feet}"

    @property
    def works(self) -> bool:
        """Whether it can be drawn at all."""
        return self.state != "dead"

    @property
    def pitch(self) -> Fraction:
        """Its fundamental beside the key's own: 1 at 8 feet, 2 at 4, 3 at 2 2/3."""
        feet = feet_of(self.feet)
        return UNISON_FEET / ROUNDED_FEET.get(feet, feet)

    def speaks_on(self, number: int) -> bool:
        """Whether it has a pipe for the key of that number."""
        return self.works and self.lowest <= number and (not self.highest or number <= self.highest)


@dataclass(frozen=True, slots=True)
class Division:
    """What one keyboard plays. `lowest` and `highest` are MIDI numbers of keys."""

    name: str
    lowest: int
    highest: int
    stops: tuple[Stop, ...] = ()
    enclosed: bool = False

    @property
    def working(self) -> tuple[Stop, ...]:
        """The stops that can be drawn."""
        return tuple(stop for stop in self.stops if stop.works)

    @property
    def keys(self) -> int:
        """How many keys the keyboard has."""
        return self.highest - self.lowest + 1


@dataclass(frozen=True, slots=True)
class Organ:
    """Manuals from the lowest keyboard up, and the pedal if there is one.

    A coupler (source, keyboard) makes the source's stops sound from the keyboard.
    """

    name: str
    manuals: tuple[Division, ...]
    pedal: Division | None
    couplers: tuple[tuple[str, str], ...] = ()
    pistons: tuple[str, ...] = ()
    a4_hz: float = 440.0
    temperament: str = "equal"

    def division(self, name: str) -> Division | None:
        """The division of that name."""
        return next((division for division in self.divisions if division.name == name), None)

    @property
    def divisions(self) -> tuple[Division, ...]:
        """Manuals from the lowest up, then the pedal."""
        return (*self.manuals, *([self.pedal] if self.pedal else []))


TWO_MANUALS = Organ(
    "Two manuals and pedal (invented)",
    (
        Division("Great", 36, 96, (
            Stop("Open Diapason", "8", "principal", "open", 4), Stop("Stopped Flute", "8", "flute", "stopped", 2),
            Stop("Principal", "4", "principal", "open", 3), Stop("Fifteenth", "2", "principal", "open", 3),
            Stop("Mixture III", "1 1/3", "mixture", "", 4),
        )),
        Division("Swell", 36, 96, (
            Stop("Salicional", "8", "string", "", 1), Stop("Stopped Flute", "8", "flute", "stopped", 2),
            Stop("Flute", "4", "flute", "open", 2), Stop("Oboe", "8", "reed", "oboe", 3),
        ), enclosed=True),
    ),
    Division("Pedal", 36, 65, (
        Stop("Bourdon", "16", "flute", "stopped", 2), Stop("Bass Flute", "8", "flute", "stopped", 2),
        Stop("Choral Bass", "4", "principal", "open", 3),
    )),
    couplers=(("Swell", "Great"), ("Great", "Pedal"), ("Swell", "Pedal")),
)  # fmt: skip
