"""How fast a figure may move before the room blurs it.

The musical problem: in a live church the notes before are still sounding when the next is struck. Past a certain
speed they are as loud as the note itself, and no touch can part them: the figure must slow down.

Conventions: `step_seconds` is the time from one onset of the figure to the next; reverberation times are in seconds,
the mean of the octaves at 500 Hz and 1 kHz. A figure is clear where all earlier notes together are at most as strong
as the current note half a step after its onset. Places are where one listens: "nave" 14 m from the pipes, "bench" 4 m.

References: solved with the reverberant field of a room of 14 x 28 x 11 m and the touch rule of the project's notes on
sound, pipes that speak in 45 ms (table `SHORTEST`); for the nave a straight line lies within 4 ms of it. The bound
itself (as strong as) is assumed; no listening test has been made.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import Literal

Place = Literal["nave", "bench"]

SHORTEST: dict[Place, tuple[tuple[float, float], ...]] = {
    "nave": ((0.5, 0.144), (1.0, 0.184), (1.5, 0.222), (2.0, 0.257), (3.0, 0.333), (4.0, 0.403)),
    "bench": ((0.5, 0.095), (1.0, 0.119), (1.5, 0.142), (2.0, 0.167), (3.0, 0.233), (4.0, 0.306)),
}
"""Reverberation time and shortest clear step, both in seconds."""

NAVE_AT_NONE, NAVE_A_SECOND = 0.110, 0.074
"""The nave's line: seconds without reverberation, and seconds more for each second of it."""


def shortest_clear_seconds(reverberation_seconds: float, place: Place = "nave") -> float:
    """The shortest step from onset to onset at which a figure stays clear.

    The nave's line is used beyond the table too; the bench is interpolated in its table and goes on at the table's
    outer slopes. ValueError for a reverberation time below 0 s.

    >>> round(shortest_clear_seconds(2.0), 3)
    0.258
    """
    if not reverberation_seconds >= 0:
        raise ValueError(f"a reverberation time of {reverberation_seconds} s makes no sense")
    if place == "nave":
        return NAVE_AT_NONE + NAVE_A_SECOND * reverberation_seconds
    pairs = tuple(pairwise(SHORTEST[place]))
    (low, at_low), (high, at_high) = next((pair for pair in pairs if reverberation_seconds <= pair[1][0]), pairs[-1])
    return at_low + (at_high - at_low) * (reverberation_seconds - low) / (high - low)


def notes_a_second(reverberation_seconds: float, place: Place = "nave") -> float:
    """The most notes a second of one figure that stay clear."""
    return 1 / shortest_clear_seconds(reverberation_seconds, place)


def is_clear(step_seconds: float, reverberation_seconds: float, place: Place = "nave") -> bool:
    """Whether a figure of that step is clear in a room."""
    return step_seconds >= shortest_clear_seconds(reverberation_seconds, place)


def shortest_clear_length(
    reverberation_seconds: float, quarter_seconds: float, lengths: tuple[Fraction, ...], place: Place = "nave"
) -> Fraction | None:
    """The shortest of some written lengths (quarter notes) that is clear at a pace; None where none is."""
    clear = [one for one in lengths if is_clear(float(one) * quarter_seconds, reverberation_seconds, place)]
    return min(clear, default=None)
