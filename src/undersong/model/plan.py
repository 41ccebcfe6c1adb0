"""What is to be done with each verse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from undersong.model.pitch import UNISON, Interval
from undersong.model.time import Pace

TunePlace = Literal["at-pitch", "octave-up", "tenor", "pedal", "pedal-8", "bass"]


@dataclass(frozen=True, slots=True)
class VersePlan:
    """One verse: its texture, where the tune lies, hand to division, pace.

    `right`, `left` and `feet` are names of divisions; empty names are chosen from the organ. `pattern` is one
    of the texture's own; empty is its usual one. `inner_pedal`: a tone common to three chords or more is one held key
    of an inner voice, where the texture's inner voices stand chord by chord.
    """

    verse: int | None
    texture: str
    tune: TunePlace = "at-pitch"
    right: str = ""
    left: str = ""
    feet: str = ""
    who: str = "all"
    pace: Pace | None = None
    pattern: str = ""
    inner_pedal: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """All verses, and how far everything is transposed (a spelled interval)."""

    verses: tuple[VersePlan, ...]
    transpose: Interval = UNISON
    introduction: str = ""
    gap_beats: int = 2
