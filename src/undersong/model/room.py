"""The room and the people in it.

Conventions: reverberation times in seconds per octave band, the band named by its centre in hertz.

References: churches mostly 1.5 to 2.5 s, small carpeted chapels 0.6 to 1.1, large stone churches 4 to 8 (from memory,
unchecked); the four words, the factors of the bands and the size of the room are assumed. Ask or measure: a
reverberation time reckoned from the volume of a church errs by 71 % on average (Carvalho, ASA 129th meeting, 1995).
"""

from __future__ import annotations

from dataclasses import dataclass

BAND_FACTORS = (
    (63, 1.2), (125, 1.15), (250, 1.08), (500, 1.0), (1000, 1.0), (2000, 0.92), (4000, 0.75), (8000, 0.5),
    (16000, 0.32),
)  # fmt: skip
"""Octave band and its reverberation beside that of the middle bands (assumed)."""

SHORTEST_SECONDS, LONGEST_SECONDS = 0.2, 12.0
"""Reverberation times that a room with an organ in it can have: a furnished room, the largest cathedral (assumed)."""


def bands_of(seconds: float) -> tuple[tuple[int, float], ...]:
    """Reverberation per octave band for a time at the middle frequencies."""
    return tuple((band, round(seconds * factor, 4)) for band, factor in BAND_FACTORS)


@dataclass(frozen=True, slots=True)
class Room:
    """Reverberation time in seconds per octave band (centre in hertz), how many sing, and its size in metres."""

    name: str = "average"
    reverberation: tuple[tuple[int, float], ...] = bands_of(1.3)
    singers: int = 80
    width: float = 14.0
    length: float = 28.0
    height: float = 11.0

    @property
    def seconds(self) -> float:
        """Reverberation time at the middle frequencies: the mean of 500 Hz and 1 kHz, or of what bands there are."""
        middle = [seconds for band, seconds in self.reverberation if band in (500, 1000)]
        given = middle or [seconds for _, seconds in self.reverberation]
        return sum(given) / len(given)

    @property
    def volume(self) -> float:
        """Cubic metres."""
        return self.width * self.length * self.height

    @property
    def surface(self) -> float:
        """Square metres of walls, floor and ceiling."""
        return 2 * (self.width * self.length + self.width * self.height + self.length * self.height)


ROOMS = {
    name: Room(name, bands_of(seconds))
    for name, seconds in (("dry", 0.7), ("average", 1.3), ("live", 2.0), ("very live", 4.0))
}
"""What she answers when nothing was measured (assumed)."""
