"""The room and the people in it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Room:
    """Reverberation time in seconds per octave band (centre in hertz), and how many sing."""

    name: str = "average"
    reverberation: tuple[tuple[int, float], ...] = ((500, 1.8), (1000, 1.7))
    singers: int = 80
