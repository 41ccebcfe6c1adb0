"""How keys are held and let go: legato, overlap or gap by the room, repeated keys opened.

Conventions: `Touch` is what the room, the organ and her wishes ask for; without one, keys are held to their written
end. Seconds throughout.

References: `acoustics.touch`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from undersong.acoustics.blur import Place
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


def lowest_feet(division: str, registration: Registration, organ: Organ) -> float:
    """The longest flue stop drawn on a division; 16 feet in the pedal and 8 on manuals where nothing is known."""
    drawn = dict(registration.drawn).get(division, ())
    feet = [
        float(feet_of(stop.feet))
        for one in organ.divisions
        for stop in one.stops
        if stop.family not in ("reed", "mixture", "mutation")
        and (str(stop) in drawn if one.name == division else f"{one.name}: {stop}" in drawn)
    ]
    if feet:
        return max(feet)
    return 16.0 if organ.pedal is not None and division == organ.pedal.name else 8.0


def connected_overlap(touch: Touch, step_seconds: float, number: int, feet: float) -> float:
    """How long a key stays down after the next goes down; negative for a gap."""
    speech = speech_seconds(key_hz(number, touch.organ.a4_hz) * 8 / feet)
    return overlap_seconds(step_seconds, touch.room, speech, touch.place, touch.dip_db)


def opening(touch: Touch, step_seconds: float, number: int, feet: float) -> float:
    """How long a key is open before it is struck again."""
    speech = speech_seconds(key_hz(number, touch.organ.a4_hz) * 8 / feet)
    return opening_seconds(step_seconds, touch.room, speech, touch.place)
