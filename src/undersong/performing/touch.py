"""How keys are held and let go: legato, overlap or gap by the room, repeated keys opened.

Conventions: `Touch` is what the room, the organ and her wishes ask for; without one, keys are held to their written
end. Seconds throughout.

References: `acoustics.touch`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from undersong.acoustics.blur import Place
from undersong.acoustics.spectra import speech_share
from undersong.acoustics.temperament import key_hz
from undersong.acoustics.touch import USUAL_DIP_DB, opening_seconds, overlap_seconds, speech_seconds
from undersong.model.accompaniment import Registration
from undersong.model.organ import TWO_MANUALS, Organ, feet_of
from undersong.model.room import ROOMS, Room


@dataclass(frozen=True, slots=True)
class Touch:
    """The room, the organ, where the listener is, and her wishes.

    `dip_db` is how far connected notes may dip: 1.5 more connected, 3 less. `hold_beats` lengthens each fermata by so
    many beats; `slowing` makes the last line of the last section slower by that share, `swell` moves the shutters.
    """

    room: Room = ROOMS["average"]
    organ: Organ = TWO_MANUALS
    place: Place = "nave"
    dip_db: float = USUAL_DIP_DB
    hold_beats: Fraction = Fraction(0)
    slowing: float = 0.0
    swell: bool = True


NO_TOUCH = Touch()
"""The usual touch in an average room."""


@dataclass(frozen=True, slots=True)
class Speech:
    """How the pipes of a division speak: longest length drawn in feet, and the share of a flute's attack time."""

    feet: float = 8.0
    share: float = 1.0

    def seconds(self, number: int, a4_hz: float) -> float:
        """Time constant of the attack at a key."""
        return self.share * speech_seconds(key_hz(number, a4_hz) * 8 / self.feet)


def speech_of(division: str, registration: Registration, organ: Organ) -> Speech:
    """That of the longest flue stop drawn on a division; 16 feet in the pedal and 8 on manuals where none is known."""
    drawn = dict(registration.drawn).get(division, ())
    flues = [
        stop
        for one in organ.divisions
        for stop in one.stops
        if stop.family not in ("reed", "mixture", "mutation")
        and (str(stop) in drawn if one.name == division else f"{one.name}: {stop}" in drawn)
    ]
    if flues:
        longest = max(flues, key=lambda stop: feet_of(stop.feet))
        return Speech(float(feet_of(longest.feet)), speech_share(longest))
    return Speech(16.0 if organ.pedal is not None and division == organ.pedal.name else 8.0)


def connected_overlap(touch: Touch, step_seconds: float, number: int, speech: Speech) -> float:
    """How long a key stays down after the next goes down; negative for a gap."""
    return overlap_seconds(
        step_seconds, touch.room, speech.seconds(number, touch.organ.a4_hz), touch.place, touch.dip_db
    )


def opening(touch: Touch, step_seconds: float, number: int, speech: Speech) -> float:
    """How long a key is open before it is struck again."""
    return opening_seconds(step_seconds, touch.room, speech.seconds(number, touch.organ.a4_hz), touch.place)
