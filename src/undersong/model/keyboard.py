"""The geometry of the keyboard: distances the hand feels.

Conventions: 14 units to the octave, half a white key each (imaginary keys between E and F, B and C);
an octave is 14 units, a ninth 16, a tenth 18.

References: Balliauw's real-key geometry for finger spans (second hand).
"""

from __future__ import annotations

PLACES = (0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12)


def place(midi: int) -> int:
    """Place of a key in 14ths of an octave."""
    octave, rest = divmod(midi, 12)
    return 14 * octave + PLACES[rest]


def span(low: int, high: int) -> int:
    """Stretch between two keys (MIDI numbers) in 14ths of an octave."""
    return place(high) - place(low)
