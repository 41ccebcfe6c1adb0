"""What can be told about a MIDI file from outside, so that it need not be guessed.

Apart from the reader, so that a command can take it down without loading what reads MIDI.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from undersong.model.pitch import Key
from undersong.model.time import Time


@dataclass(frozen=True, slots=True)
class MidiOptions:
    """What is known from outside; None is found from the file.

    `time` and `key` as printed; `pickup` the length of the upbeat in beats; `grid` the smallest division of a
    quarter note (4 for semiquavers); `voices` how many voices a single stream of notes holds (1 to 4).
    """

    time: Time | None = None
    key: Key | None = None
    pickup: Fraction | None = None
    grid: int | None = None
    voices: int | None = None


NOTHING_GIVEN = MidiOptions()
