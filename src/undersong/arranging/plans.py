"""A plan where she gave none: which texture each verse has, who plays what, how fast.

Verse 1 as printed (or plain block chords), inner verses varied, the last one full again.

References: order of varied verses, paces by time and hands to manuals: common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction

from undersong.model.hymn import Hymn
from undersong.model.organ import Organ
from undersong.model.pitch import UNISON, Interval
from undersong.model.plan import Plan, TunePlace, VersePlan
from undersong.model.text import Verse
from undersong.model.time import Pace, Time
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES

BEATS_PER_MINUTE = {
    "4/4": 88, "3/4": 92, "2/4": 80, "2/2": 56, "3/2": 58, "4/2": 60, "6/8": 50, "9/8": 50, "12/8": 50, "6/4": 46,
    "3/8": 100, "5/4": 88,
}  # fmt: skip
"""Beats a minute (dotted beats in compound time): the lower half of the customary ranges."""

INNER: tuple[tuple[str, TunePlace], ...] = (
    ("broken", "at-pitch"), ("alberti", "octave-up"), ("block", "at-pitch"), ("broken", "octave-up"),
)  # fmt: skip


def pace_for(time: Time) -> Pace:
    """A middling pace for a time."""
    return Pace(Fraction(BEATS_PER_MINUTE.get(str(time), 84)), time.beat)


def verses_to_play(hymn: Hymn, wanted: tuple[int, ...] = ()) -> tuple[Verse | None, ...]:
    """The verses asked for, else all; a tune without words is played once."""
    verses = hymn.text.verses
    if not verses:
        return (None,)
    return tuple(verse for verse in verses if not wanted or verse.number in wanted)


def default_plan(
    hymn: Hymn,
    verses: tuple[int, ...] = (),
    textures: tuple[str, ...] = (),
    tune: TunePlace | None = None,
    transpose: Interval = UNISON,
    *,
    inner_pedal: bool = False,
) -> Plan:
    """A plan for these verses; given textures (`broken`, or with a pattern `broken:rolling`) are taken in turn."""
    chosen = verses_to_play(hymn, verses)
    if chosen == (None,) and textures:
        chosen = (None,) * len(textures)  # a tune without words shows each texture once
    pace = hymn.tune.pace or pace_for(hymn.tune.bars[0].time)
    plans = []
    for index, verse in enumerate(chosen):
        if textures:
            (texture, _, pattern), place = textures[index % len(textures)].partition(":"), tune or "at-pitch"
        else:
            (texture, place), pattern = _varied(hymn, index, len(chosen)), ""
            place = tune or place
        number = verse.number if verse else None
        plans.append(VersePlan(number, texture, place, pace=pace, pattern=pattern, inner_pedal=inner_pedal))
    return Plan(tuple(plans), transpose)


def _varied(hymn: Hymn, index: int, count: int) -> tuple[str, TunePlace]:
    plain = "as-printed" if hymn.tune.four_parts else "block"
    if index == 0 or (index == count - 1 and count > 2 and hymn.tune.four_parts):
        return plain, "at-pitch"
    return INNER[(index - 1) % len(INNER)]


def hands(organ: Organ, texture: str, place: TunePlace) -> tuple[str, str]:
    """Division of the right and of the left hand: two manuals as soon as the tune is soloed, the tune on the first."""
    lowest, *others = (division.name for division in organ.manuals)
    if others and (place == "tenor" or TEXTURES[texture].kind == "descant"):  # the left hand has the tune
        return others[0], lowest
    if PLACES[place].tune == "feet":
        return (others or [lowest])[0], (others or [lowest])[0]
    together = texture in ONE_MANUAL_TEXTURES or (texture == "as-printed" and place == "at-pitch")
    if together or not others:
        return lowest, lowest
    return lowest, others[0]


ONE_MANUAL_TEXTURES = ("unison", "two-voices", "three-voices")
ONE_MANUAL, FULL_PEDAL = "principals 8 and 4", "pedal 16 and 8"
"""Stops for hands on one manual, and for feet under them, for any organ."""
