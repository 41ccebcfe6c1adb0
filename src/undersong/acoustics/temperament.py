"""Temperaments: how far each note of the octave lies from equal temperament.

Conventions: cents above C of each of the twelve keys from C to B. The organ's pitch `a4_hz` belongs to A, whatever the
temperament. Meantone has E flat and G sharp as its outer fifths.

References: J. M. Barbour, Tuning and Temperament (1951), from memory; each row is computed here from its definition
(which fifths are narrowed by how much), and tests compare it with the Scala archive.
"""

from __future__ import annotations

from math import log2

PURE_FIFTH = 1200 * log2(1.5)
PYTHAGOREAN_COMMA = 12 * PURE_FIFTH - 8400
SYNTONIC_COMMA = 4 * PURE_FIFTH - 2400 - 1200 * log2(5 / 4)

FIFTHS = ("Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#", "G#")
"""The chain of fifths from E flat to G sharp; entry n of a row below is the fifth above its n-th note."""

_P, _S = PYTHAGOREAN_COMMA, SYNTONIC_COMMA
NARROWED: dict[str, tuple[float, ...]] = {
    "equal": (_P / 12,) * 11,
    "meantone": (_S / 4,) * 11,
    "werckmeister": (0, 0, 0, _P / 4, _P / 4, _P / 4, 0, 0, _P / 4, 0, 0),
    "kirnberger": (0, 0, 0, _S / 4, _S / 4, _S / 4, _S / 4, 0, 0, _P - _S, 0),
    "vallotti": (0, 0, _P / 6, _P / 6, _P / 6, _P / 6, _P / 6, _P / 6, 0, 0, 0),
}
"""By how many cents each of the eleven fifths of the chain is narrower than pure."""


def cents(temperament: str) -> tuple[float, ...]:
    """Cents above C of the keys C, C sharp ... B; KeyError for a temperament that is not in the table."""
    heights, height = {}, 0.0
    for name, less in zip(FIFTHS, (*NARROWED[temperament], 0.0), strict=True):
        heights[name] = height
        height += PURE_FIFTH - less
    order = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
    return tuple((heights[name] - heights["C"]) % 1200 for name in order)


def key_hz(number: int, a4_hz: float = 440.0, temperament: str = "equal") -> float:
    """Frequency of the key of that MIDI number at 8 feet.

    >>> round(key_hz(60), 3)
    261.626
    """
    row = cents(temperament)
    octaves = number // 12 - 69 // 12
    return float(a4_hz * 2 ** (octaves + (row[number % 12] - row[9]) / 1200))
