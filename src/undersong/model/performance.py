"""Sounding time: the only clock. MIDI, sound and lit notes all come from it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class SoundedNote:
    """A key held down from `on_seconds` to `off_seconds`; `id` is the first written note's."""

    id: str
    on_seconds: float
    off_seconds: float
    number: int
    division: str


@dataclass(frozen=True, slots=True)
class PaceMark:
    """From `at_seconds` on (section time `start` of `section`), quarter notes last so long."""

    at_seconds: float
    quarter_seconds: float
    section: str
    start: Fraction


@dataclass(frozen=True, slots=True)
class StopChange:
    """From `at_seconds` on a division sounds with these stops, named as on the stop list ("Oboe 8")."""

    at_seconds: float
    division: str
    stops: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Performance:
    """Everything that sounds, in order, with the pace along the way and swell positions (0 closed to 1 open).

    Between two swell positions the shutters move evenly.
    """

    notes: tuple[SoundedNote, ...]
    paces: tuple[PaceMark, ...]
    length_seconds: float
    swell: tuple[tuple[float, float], ...] = ()
    stop_changes: tuple[StopChange, ...] = ()
