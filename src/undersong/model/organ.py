"""Organs: divisions with their keys and stops. Invented examples, common practice, no source.

The manuals have 61 keys (C to c4, as in the AGO console standard), the pedal 30 (BDO).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Family = Literal["principal", "flute", "string", "reed", "mixture", "mutation"]


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop: its name on the knob, length in feet as printed ("8", "2 2/3"), family, level 1 to 5."""

    name: str
    feet: str
    family: Family
    variety: str = ""
    level: int = 3
    state: Literal["sound", "dull", "dead"] = "sound"


@dataclass(frozen=True, slots=True)
class Division:
    """What one keyboard plays. `lowest` and `highest` are MIDI numbers of keys."""

    name: str
    lowest: int
    highest: int
    stops: tuple[Stop, ...] = ()
    enclosed: bool = False


@dataclass(frozen=True, slots=True)
class Organ:
    """Manuals from the lowest keyboard up, and the pedal if there is one."""

    name: str
    manuals: tuple[Division, ...]
    pedal: Division | None
    couplers: tuple[tuple[str, str], ...] = ()
    pistons: tuple[str, ...] = ()
    a4_hz: float = 440.0
    temperament: str = "equal"

    def division(self, name: str) -> Division | None:
        """The division of that name."""
        everything = [*self.manuals, *([self.pedal] if self.pedal else [])]
        return next((division for division in everything if division.name == name), None)


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
            Stop("Flute", "4", "flute", "open", 2), Stop("Oboe", "8", "reed", "", 3),
        ), enclosed=True),
    ),
    Division("Pedal", 36, 65, (Stop("Bourdon", "16", "flute", "stopped", 2), Stop("Bass Flute", "8", "flute", "", 2))),
    couplers=(("Swell", "Great"), ("Great", "Pedal"), ("Swell", "Pedal")),
)  # fmt: skip
